package web

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"specimen.example/custody/internal/label"
)

// mostRead bounds the question about one label, in bytes. The longest read is
// label.MaxRaw, which is less than a tenth of it as base64.
const mostRead = 64 << 10

// labelQuestion is one read, as a page sends it.
type labelQuestion struct {
	Raw       string    `json:"raw"`       // base64 of what arrived
	Symbology string    `json:"symbology"` // "]d2"; empty when the reader said nothing
	How       label.How `json:"how"`
	Separator string    `json:"separator"` // the character that this reader sends for GS, empty for GS itself
	Separates bool      `json:"separates"` // it was seen that separators arrive from this reader
}

// labelAnswer is a reading or a refusal, never both.
type labelAnswer struct {
	Reading *labelReading `json:"reading,omitempty"`
	Refusal *labelRefusal `json:"refusal,omitempty"`
}

// labelReading is what a label says. Of a person's number it says only that it is
// one: Number, Elements and Product stay empty.
type labelReading struct {
	Names     label.Thing    `json:"names"` // empty when the site has declared no schemes
	Number    string         `json:"number,omitempty"`
	ID        string         `json:"id,omitempty"` // by which the pages know it
	Says      string         `json:"says"`         // what it names, in words
	Word      string         `json:"word"`         // "GS1" or "plain"
	Symbology labelSymbology `json:"symbology"`
	Standard  label.Standard `json:"standard"`
	Elements  []labelElement `json:"elements,omitempty"`
	Product   *labelProduct  `json:"product,omitempty"`
}

type labelSymbology struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

type labelElement struct {
	AI    string `json:"ai"`
	Value string `json:"value"`
}

// labelProduct is what a maker's code says; dates as 2027-01-31, or 2027-01 where
// the label leaves the day open.
type labelProduct struct {
	Number string `json:"number"`
	Lot    string `json:"lot,omitempty"`
	Serial string `json:"serial,omitempty"`
	Expiry string `json:"expiry,omitempty"`
	Made   string `json:"made,omitempty"`
}

// labelRefusal says what happened and what to do, also of a question that could
// not be understood; Field is then the field of the question, empty for the whole.
type labelRefusal struct {
	Field    string   `json:"field"`
	Say      string   `json:"say"`
	Remedy   string   `json:"remedy"`
	Ways     []string `json:"ways,omitempty"`
	Proposal string   `json:"proposal,omitempty"`
}

// readLabel says what a label names. A label that can't be read is answered like
// one that can, with status 200; only a wrong question is an error.
func (s *server) readLabel(w http.ResponseWriter, r *http.Request) {
	in, wrong := askedLabel(http.MaxBytesReader(w, r.Body, mostRead))
	if wrong != nil {
		status := http.StatusBadRequest
		if wrong.Field == "" && wrong.Say == tooLong {
			status = http.StatusRequestEntityTooLarge
		}
		s.sendJSON(w, r, status, labelAnswer{Refusal: wrong})
		return
	}
	in.At = s.now()
	s.sendJSON(w, r, http.StatusOK, s.answerLabel(in))
}

var tooLong = fmt.Sprintf("the question is longer than %d kB", mostRead>>10)

// askedLabel reads a question strictly, so that a field with a mistyped name isn't
// taken for one that was left out.
func askedLabel(body io.Reader) (label.Input, *labelRefusal) {
	var q labelQuestion
	d := json.NewDecoder(body)
	d.DisallowUnknownFields()
	err := d.Decode(&q)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something stands behind the question")
		}
	}
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		return label.Input{}, &labelRefusal{Say: tooLong, Remedy: "send one read of one label"}
	}
	if err != nil {
		return label.Input{}, &labelRefusal{Say: "this is no question about a label: " + strings.TrimPrefix(err.Error(), "json: "), Remedy: "send a JSON object with raw, symbology, how, separator and separates, and nothing else"}
	}
	if q.Raw == "" {
		return label.Input{}, &labelRefusal{Field: "raw", Say: "nothing was read", Remedy: "send the bytes of the read as base64"}
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(q.Raw)
	if err != nil {
		return label.Input{}, &labelRefusal{Field: "raw", Say: "the read is no base64", Remedy: "send the bytes as base64 of RFC 4648 section 4, with its padding"}
	}
	switch q.How {
	case label.Camera, label.Wedge, label.Typed, label.NFC:
	default:
		return label.Input{}, &labelRefusal{Field: "how", Say: fmt.Sprintf("%q is no way of reading", q.How), Remedy: "say camera, reader, typed or nfc"}
	}
	in := label.Input{Raw: raw, Symbology: q.Symbology, How: q.How, Separates: q.Separates}
	switch len(q.Separator) {
	case 0:
	case 1:
		in.Separator = q.Separator[0]
	default:
		return label.Input{}, &labelRefusal{Field: "separator", Say: "the separator is more than one character of ASCII", Remedy: "send the one that the reader sends for GS, or nothing"}
	}
	return in, nil
}

func (s *server) answerLabel(in label.Input) labelAnswer { return answerOf(in, s.src.ReadLabel) }

// answerOf says what read makes of a label.
func answerOf(in label.Input, read func(label.Input) (LabelNamed, error)) labelAnswer {
	got, err := read(in)
	if err != nil {
		// A maker's or a blood service's label names nothing that a scan could mean, but
		// here it is asked what it says.
		in.Want = []label.Thing{label.Product, label.Donation}
		if other, failed := read(in); failed == nil {
			got, err = other, nil
		}
	}
	var no *label.Refusal
	if errors.As(err, &no) {
		return labelAnswer{Refusal: &labelRefusal{Field: no.Field, Say: no.Say, Remedy: no.Remedy, Ways: no.Ways, Proposal: no.Proposal}}
	}
	out := &labelReading{
		Names: got.Names, Says: thingWords[got.Names], Word: got.Word(), Standard: got.Standard,
		Symbology: labelSymbology{ID: got.Symbology.ID, Name: got.Symbology.Name},
	}
	if got.Private() {
		return labelAnswer{Reading: out}
	}
	out.Number, out.ID = got.Text, got.ID
	for _, e := range got.Elements {
		out.Elements = append(out.Elements, labelElement{AI: e.AI, Value: e.Value})
	}
	if p := got.Product; p != nil {
		out.Product = &labelProduct{Number: p.Number, Lot: p.Lot, Serial: p.Serial, Expiry: dateOf(p.Expiry), Made: dateOf(p.Made)}
	}
	return labelAnswer{Reading: out}
}

// dateOf gives a date as text, "" where the label has none.
func dateOf(d label.Date) string {
	if d == (label.Date{}) {
		return ""
	}
	return d.String()
}

func (s *server) sendJSON(w http.ResponseWriter, r *http.Request, status int, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		s.log.ErrorContext(r.Context(), "answer not written", "path", r.URL.Path, "error", err)
		http.Error(w, "The answer could not be written. Try again, then tell the engineer.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	// A broken connection shows at the reader.
	_, _ = w.Write(data)
}
