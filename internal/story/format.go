package story

import (
	"strconv"
	"strings"
)

// Format writes the story back as text. Every line keeps its number, so
// messages about the written text fit the one that was read. What Parse makes of
// it is the same story.
func Format(s *Story) []byte {
	lines := map[int]string{}
	last := 0
	put := func(no int, text string) {
		if lines[no] != "" {
			text = lines[no] + " " + text
		}
		lines[no] = text
		last = max(last, no)
	}
	for _, h := range s.Heads {
		value := map[string]string{"story": s.Title, "rules": s.Rules, "zone": s.Zone, "day": s.Day}[h.Word]
		if h.Word == "story" {
			put(h.Line, "story "+strconv.Quote(value))
			continue
		}
		put(h.Line, h.Word+" "+idText(value))
	}
	for _, d := range s.Decls {
		put(d.Line, d.Kind+" "+idText(d.ID)+d.Attrs.String())
	}
	for _, st := range s.Steps {
		put(st.Line, st.String())
	}
	for _, c := range s.Checks {
		text := "expect " + c.String()
		if c.When != "" {
			text = c.When + " " + text
		}
		put(c.Line, text)
	}
	for _, c := range s.Comments {
		put(c.Line, "#"+c.Text)
	}
	var b strings.Builder
	for no := 1; no <= last; no++ {
		b.WriteString(lines[no])
		b.WriteByte('\n')
	}
	return []byte(b.String())
}

// String gives the step as it is written in a story.
func (st Step) String() string {
	var b strings.Builder
	b.WriteString(st.When + " " + st.Verb)
	for _, id := range st.IDs {
		b.WriteString(" " + idText(id))
	}
	if st.Span.Text != "" {
		b.WriteString(" " + st.Span.Text)
	}
	b.WriteString(st.Attrs.String())
	return b.String()
}

// String gives the attributes as they are written, each with a space before it.
func (as Attrs) String() string {
	var b strings.Builder
	for _, a := range as {
		b.WriteString(" " + a.Key + "=")
		if a.Text == "" || needsQuotes(a.Text) || (a.Instant == 0 && shapes[a.Key] != anInstant && looksLikeTime(a.Text)) {
			b.WriteString(strconv.Quote(a.Text))
			continue
		}
		b.WriteString(a.Text)
	}
	return b.String()
}

// idText writes a word so that it is read back as one id.
func idText(s string) string {
	if s == "" || s[0] == '#' || needsQuotes(s) || strings.ContainsAny(s, "=") || strings.Contains(s, "..") {
		return strconv.Quote(s)
	}
	return s
}

func needsQuotes(s string) bool {
	return strings.ContainsFunc(s, func(r rune) bool { return r == ' ' || r == '"' || r == '\uFFFD' || !strconv.IsPrint(r) })
}
