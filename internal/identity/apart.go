package identity

import (
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Part is a piece of a field's text as it was typed.
type Part struct {
	Text    string
	Differs bool // from the other record
}

// Marked is one field of two records side by side.
type Marked struct {
	Field string
	A, B  []Part // each gives the whole text when joined
}

// Compare sets two records side by side and marks the characters that differ. It says
// nothing on whether they are one person: names and birth dates of two people can be
// the same, and only the whole number tells (cases IDN-S2, IDN-S3). Fields that both
// leave empty are left out.
func Compare(a, b Person) []Marked {
	var out []Marked
	for _, f := range fields {
		ta, tb := *f.of(&a), *f.of(&b)
		if ta == "" && tb == "" {
			continue
		}
		pa, pb := apart(ta, tb)
		out = append(out, Marked{f.name, pa, pb})
	}
	return out
}

// maxAligned is the longest text in characters that is aligned; what is longer is
// compared place by place, so that time and memory stay small.
const maxAligned = 1000

// apart aligns two texts by the least number of changed, missing and added characters
// (Wagner and Fischer 1974, https://doi.org/10.1145/321796.321811). Of ways that are
// as good, a changed character wins over a missing and an added one: two digits that
// changed places are two marks.
func apart(a, b string) (pa, pb []Part) {
	as, bs := characters(a), characters(b)
	same := func(i, j int) bool { return norm.NFC.String(as[i]) == norm.NFC.String(bs[j]) }
	da, db := make([]bool, len(as)), make([]bool, len(bs))
	if len(as) > maxAligned || len(bs) > maxAligned {
		for i := range max(len(as), len(bs)) {
			differs := i >= len(as) || i >= len(bs) || !same(i, i)
			if i < len(as) {
				da[i] = differs
			}
			if i < len(bs) {
				db[i] = differs
			}
		}
		return parts(as, da), parts(bs, db)
	}
	// cost[i][j] is the least number of changes between as[i:] and bs[j:].
	cost := make([][]int, len(as)+1)
	for i := len(as); i >= 0; i-- {
		cost[i] = make([]int, len(bs)+1)
		for j := len(bs); j >= 0; j-- {
			switch {
			case i == len(as):
				cost[i][j] = len(bs) - j
			case j == len(bs):
				cost[i][j] = len(as) - i
			case same(i, j):
				cost[i][j] = cost[i+1][j+1]
			default:
				cost[i][j] = 1 + min(cost[i+1][j+1], cost[i+1][j], cost[i][j+1])
			}
		}
	}
	i, j := 0, 0
	for i < len(as) && j < len(bs) {
		switch {
		case same(i, j):
			i, j = i+1, j+1
		case cost[i][j] == 1+cost[i+1][j+1]:
			da[i], db[j] = true, true
			i, j = i+1, j+1
		case cost[i][j] == 1+cost[i+1][j]:
			da[i] = true
			i++
		default:
			db[j] = true
			j++
		}
	}
	for ; i < len(as); i++ {
		da[i] = true
	}
	for ; j < len(bs); j++ {
		db[j] = true
	}
	return parts(as, da), parts(bs, db)
}

// characters splits a text into what a reader takes for one character: a rune and the
// marks that stand on it (the core of UAX 29, without its rules for Hangul and emoji).
func characters(text string) []string {
	var out []string
	from, joined := 0, false
	for i, r := range text {
		const joiner = '\u200d'
		if i > 0 && !joined && !unicode.Is(unicode.M, r) && r != joiner {
			out = append(out, text[from:i])
			from = i
		}
		joined = r == joiner
	}
	if text != "" {
		out = append(out, text[from:])
	}
	return out
}

// parts joins neighbours that differ alike.
func parts(characters []string, differs []bool) []Part {
	var out []Part
	for i, c := range characters {
		if n := len(out); n > 0 && out[n-1].Differs == differs[i] {
			out[n-1].Text += c
			continue
		}
		out = append(out, Part{c, differs[i]})
	}
	return out
}

// SameNames marks the rows of a list that may be taken for another patient's of the list:
// the whole name is the same, or the family name and the birth date are, as with twins
// (IDN-S3). Case, accents, spacing and punctuation don't count: a mark too many asks for
// one more look, a missing one for none. Rows of one number are one patient.
func SameNames(list []Person) []bool {
	patients := map[string]map[string]bool{} // by what they have in common
	like := make([][]string, len(list))
	for i, p := range list {
		if name := folded(p.Family + " " + p.Given); name != "" {
			like[i] = append(like[i], "name\x00"+name)
		}
		// A birth date that is known to the year alone is that of many.
		if family := folded(p.Family); family != "" && len(p.Birth) == len(time.DateOnly) {
			like[i] = append(like[i], "family\x00"+family+"\x00"+p.Birth)
		}
		who := "number\x00" + strings.ToUpper(strings.TrimSpace(p.Number))
		if p.Number == "" {
			who = "row\x00" + strconv.Itoa(i) // without a number they may be two
		}
		for _, l := range like[i] {
			if patients[l] == nil {
				patients[l] = map[string]bool{}
			}
			patients[l][who] = true
		}
	}
	out := make([]bool, len(list))
	for i := range list {
		out[i] = slices.ContainsFunc(like[i], func(l string) bool { return len(patients[l]) > 1 })
	}
	return out
}

// bare are letters with a stroke or of two letters, which no decomposition takes apart.
var bare = strings.NewReplacer("ø", "o", "ł", "l", "đ", "d", "ð", "d", "þ", "th", "æ", "ae", "œ", "oe", "ı", "i", "ħ", "h")

// folded gives a name's letters and digits, in words with one space between.
func folded(name string) string {
	// The caser is made anew: it must not be shared between goroutines.
	text := bare.Replace(cases.Fold().String(norm.NFKD.String(name)))
	var out strings.Builder
	gap := false
	for _, r := range norm.NFKD.String(text) {
		switch {
		case unicode.Is(unicode.Mn, r), r == '\'', r == '’', r == 'ʼ':
		case unicode.IsLetter(r), unicode.IsDigit(r), unicode.Is(unicode.M, r):
			if gap && out.Len() > 0 {
				out.WriteByte(' ')
			}
			gap = false
			out.WriteRune(r)
		default:
			gap = true
		}
	}
	return out.String()
}

// Ends gives the last characters of a number for lists: four letters or digits with
// what stands between them, fewer where that would be the whole.
func Ends(number string) string {
	text := strings.TrimSpace(number)
	var at []int // where letters and digits begin
	for i, r := range text {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			at = append(at, i)
		}
	}
	shown := min(4, len(at)-1)
	if shown <= 0 {
		return ""
	}
	return text[at[len(at)-shown]:]
}
