package label

import (
	"fmt"
	"strings"
	"time"
)

// HIBC is a label of the Health Industry Bar Code standards (ANSI/HIBC 2.x for
// suppliers). Of the provider standard (+/) only the frame is read: its flags are
// the site's to declare as a pattern.
type HIBC struct {
	Provider bool   // +/…: Data is all there is
	Data     string // between the + and the check character
	Labeler  string // identification code, a letter and three characters
	Product  string // the labeler's product or catalogue number
	Unit     string // digit of the unit of measure
	Lot      string
	Serial   string
	Quantity string
	Expiry   Date
	Made     Date
	Other    []string // supplements that are not understood, as they stand there
	Link     string   // of a secondary label: check character of its primary one
	Check    byte     // may be a blank
}

// ParseHIBC reads a label that begins with +, or with *+ and ends in *. The current
// year places two-digit years. The check character is verified; no blank is cut off
// before, since it may be one.
func ParseHIBC(text string, current int) (HIBC, error) {
	if inner, ok := strings.CutPrefix(text, "*"); ok && strings.HasSuffix(inner, "*") {
		text = strings.TrimSuffix(inner, "*")
	}
	if !strings.HasPrefix(text, "+") || len(text) < 4 {
		return HIBC{}, fmt.Errorf("no HIBC label: it begins with + and has a check character at its end")
	}
	body := text[:len(text)-1]
	h := HIBC{Data: body[1:], Check: text[len(text)-1]}
	want, ok := Mod43Check(body)
	if !ok {
		return HIBC{}, fmt.Errorf("the HIBC label holds a character that is none of Code 39")
	}
	if want != h.Check {
		return HIBC{}, fmt.Errorf("the HIBC check character is %q and %q would be right", string(h.Check), string(want))
	}
	switch first := h.Data[0]; {
	case first == '/':
		h.Provider = true
		return h, nil
	case first >= 'A' && first <= 'Z':
		primary, rest, more := strings.Cut(h.Data, "/")
		if err := h.primary(primary); err != nil || !more {
			return h, err
		}
		return h, h.secondary(rest, current)
	default:
		h.Link = h.Data[len(h.Data)-1:]
		return h, h.secondary(h.Data[:len(h.Data)-1], current)
	}
}

// maxProductNumber and maxLot are in characters (ANSI/HIBC 2.4 and later; 13 before).
const (
	maxProductNumber = 18
	maxLot           = 18
)

func (h *HIBC) primary(text string) error {
	if len(text) < 6 || len(text) > 5+maxProductNumber || keep(text, isAlphanumeric) != text {
		return fmt.Errorf("the primary part has no labeler of 4 characters, product number of 1 to %d and unit of 1", maxProductNumber)
	}
	h.Labeler, h.Product, h.Unit = text[:4], text[4:len(text)-1], text[len(text)-1:]
	if !digits(h.Unit) {
		return fmt.Errorf("the unit of measure is %q and must be a digit", h.Unit)
	}
	return nil
}

// secondary reads lot or serial, quantity and dates, and the supplements behind.
func (h *HIBC) secondary(text string, current int) error {
	parts := strings.Split(text, "/")
	rest := parts[0]
	target := &h.Lot
	dated := false
	switch {
	case strings.HasPrefix(rest, "$$+"):
		rest, target, dated = rest[3:], &h.Serial, true
	case strings.HasPrefix(rest, "$$"):
		rest, dated = rest[2:], true
	case strings.HasPrefix(rest, "$+"):
		rest, target = rest[2:], &h.Serial
	case strings.HasPrefix(rest, "$"):
		rest = rest[1:]
	default:
		rest = "5" + rest // five digits YYJJJ and the lot
		dated = true
	}
	if dated {
		var err error
		if rest, err = h.quantityAndDate(rest, current); err != nil {
			return err
		}
	}
	if len(rest) > maxLot {
		return fmt.Errorf("the lot or serial number has %d characters and at most %d are allowed", len(rest), maxLot)
	}
	*target = rest
	for _, p := range parts[1:] {
		if err := h.supplement(p); err != nil {
			return err
		}
	}
	return nil
}

// forms of a date by its flag: the layout of package time and what is printed.
var hibcDates = map[byte]struct {
	layout, say string
	digits      int
}{
	'0': {"0106", "MMYY", 4}, '1': {"0106", "MMYY", 4}, '2': {"010206", "MMDDYY", 6}, '3': {"060102", "YYMMDD", 6},
	'4': {"06010215", "YYMMDDHH", 8}, '5': {"06002", "YYJJJ", 5}, '6': {"0600215", "YYJJJHH", 7},
}

func (h *HIBC) quantityAndDate(rest string, current int) (string, error) {
	cutDigits := func(n int, what string) (string, error) {
		if len(rest) < n || !digits(rest[:n]) {
			return "", fmt.Errorf("the %s isn't of %d digits", what, n)
		}
		text := rest[:n]
		rest = rest[n:]
		return text, nil
	}
	var err error
	switch {
	case strings.HasPrefix(rest, "8"):
		rest = rest[1:]
		h.Quantity, err = cutDigits(2, "quantity")
	case strings.HasPrefix(rest, "9"):
		rest = rest[1:]
		h.Quantity, err = cutDigits(5, "quantity")
	}
	if err != nil || rest == "" {
		return rest, err
	}
	flag := rest[0]
	form, ok := hibcDates[flag]
	switch {
	case flag == '7': // no date
		return rest[1:], nil
	case !ok:
		return rest, nil // a lot without a date may begin with a letter
	case flag > '1':
		rest = rest[1:]
	}
	text, err := cutDigits(form.digits, "date "+form.say)
	if err != nil {
		return "", err
	}
	t, err := time.Parse(form.layout, text)
	if err != nil {
		return "", fmt.Errorf("the date %s is no %s", text, form.say)
	}
	h.Expiry = Date{Century(t.Year()%100, current), int(t.Month()), t.Day()}
	if flag <= '1' {
		h.Expiry.Day = 0
	}
	return rest, nil
}

func (h *HIBC) supplement(text string) error {
	date := func(into *Date, digits string) error {
		t, err := time.Parse("20060102", digits)
		if err != nil {
			return fmt.Errorf("the date %q is no YYYYMMDD", digits)
		}
		*into = Date{t.Year(), int(t.Month()), t.Day()}
		return nil
	}
	switch {
	case strings.HasPrefix(text, "14D"):
		return date(&h.Expiry, text[3:])
	case strings.HasPrefix(text, "16D"):
		return date(&h.Made, text[3:])
	case strings.HasPrefix(text, "S"):
		h.Serial = text[1:]
	case strings.HasPrefix(text, "Q") && digits(text[1:]):
		h.Quantity = text[1:]
	default:
		h.Other = append(h.Other, text)
	}
	return nil
}

// IsDonation tells whether text is laid out as a blood service's label (ISBT 128
// data identifiers = and &). It is taken as an opaque number: conformance needs a
// licence of the standard's owner, and nothing here depends on its parts.
func IsDonation(text string) bool {
	if len(text) < 6 {
		return false
	}
	first, second := text[0], text[1]
	switch first {
	case '=':
		return second >= '1' && second <= '9' || second >= 'A' && second <= 'Z' && second != 'O' || strings.IndexByte("<%>*", second) >= 0
	case '&':
		return strings.IndexByte(">*", second) >= 0
	default:
		return false
	}
}
