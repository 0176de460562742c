package story

import (
	"bytes"
	"strconv"
	"strings"
	"unicode/utf8"
)

// token is one word of a line. key=value is one token: text is the value.
type token struct {
	col    int
	key    string // of key=value, empty otherwise
	text   string // without quotes
	quoted bool
}

// written gives the token as a person would recognise it in a message.
func (t token) written() string {
	if t.key != "" {
		return t.key + "=" + t.text
	}
	return t.text
}

// line is one line of the file in tokens.
type line struct {
	no      int
	tokens  []token
	comment string
	noted   bool // has a comment
}

// lex cuts the text into lines of tokens. A # starts a comment at the start of
// a word only, so that a label may hold one.
func (p *parser) lex(text []byte) []line {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	var lines []line
	for i, raw := range strings.Split(string(text), "\n") {
		p.line = i + 1
		raw = strings.TrimSuffix(raw, "\r")
		if !p.clean(raw) {
			continue
		}
		ln := line{no: i + 1}
		p.words(raw, &ln)
		if len(ln.tokens) > 0 || ln.noted {
			lines = append(lines, ln)
		}
	}
	return lines
}

// clean reports whether the line is text; a file in another encoding is told once per line.
func (p *parser) clean(raw string) bool {
	for i, r := range raw {
		if r == utf8.RuneError && !strings.HasPrefix(raw[i:], "\uFFFD") {
			p.fail(column(raw, i), "the line is not UTF-8 text", "save the file as UTF-8")
			return false
		}
		if (r < ' ' && r != '\t') || r == 0x7f {
			p.fail(column(raw, i), "the line holds the control character "+strconv.QuoteRuneToASCII(r), `write it in a string, for example "\x1d"`)
			return false
		}
	}
	return true
}

func column(raw string, at int) int { return utf8.RuneCountInString(raw[:at]) + 1 }

func (p *parser) words(raw string, ln *line) {
	for i := 0; i < len(raw); {
		switch raw[i] {
		case ' ', '\t':
			i++
		case '#':
			ln.comment, ln.noted = strings.TrimRight(raw[i+1:], " \t"), true
			return
		default:
			t, end, ok := p.word(raw, i)
			if ok {
				ln.tokens = append(ln.tokens, t)
			}
			i = end
		}
	}
}

// word reads one token from i and gives the index behind it.
func (p *parser) word(raw string, i int) (token, int, bool) {
	t := token{col: column(raw, i)}
	end := i + strings.IndexAny(raw[i:]+" ", " \t\"")
	if end < len(raw) && raw[end] == '"' {
		before := raw[i:end]
		if before != "" && (!strings.HasSuffix(before, "=") || !isKey(before[:len(before)-1])) {
			p.fail(column(raw, end), "a quote stands inside a word", `put the whole value in quotes, for example note="two words"`)
			return t, len(raw), false
		}
		quoted, err := strconv.QuotedPrefix(raw[end:])
		if err != nil {
			p.fail(column(raw, end), "the string has no end or a bad escape", `close it with " and write \" for a quote and \\ for a backslash`)
			return t, len(raw), false
		}
		after := end + len(quoted)
		if after < len(raw) && raw[after] != ' ' && raw[after] != '\t' {
			p.fail(column(raw, after), "something follows the string without a space", "put a space behind the closing quote")
			return t, len(raw), false
		}
		t.key = strings.TrimSuffix(before, "=")
		t.text, err = strconv.Unquote(quoted)
		t.quoted = true
		return t, after, err == nil
	}
	t.text = raw[i:end]
	if key, value, found := strings.Cut(t.text, "="); found && isKey(key) {
		if value == "" {
			p.fail(t.col, key+"= has no value", "write "+key+"=value, or leave it out")
			return t, end, false
		}
		t.key, t.text = key, value
	}
	return t, end, true
}

// isKey tells key=value from a label that holds an equals sign. Facts are names
// with capitals: Collected=0.
func isKey(s string) bool {
	if s == "" {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && c != '-' {
			return false
		}
	}
	return true
}
