package custody

import "specimen.example/custody/internal/event"

// words are texts that many records carry: places, people, devices, verbs. One copy of each
// is kept for all records that come near each other, which is nearly all there is to win.
type words map[string]string

// mostWords bounds the table: a run of a phone has a name of its own, and phones start anew
// each day. The texts themselves stay with their records.
const mostWords = 1 << 14

// record gives a record of the same content whose common texts are shared.
func (w *words) record(rec *event.Record) *event.Record {
	if len(*w) > mostWords {
		clear(*w)
	}
	own := *rec
	own.Stored = nil // it may be large, and this copy stays
	e := &own.Envelope
	e.Kind, e.Mode = oneOf(*w, e.Kind), oneOf(*w, e.Mode)
	for _, text := range []*string{&e.BootID, &e.TimeSource, &e.Actor, &e.OnBehalf, &e.Witness, &e.Principal, &e.Role, &e.Device, &e.Place,
		&e.How, &e.App, &e.Import, &e.Step, &e.KeyID} {
		*text = oneOf(*w, *text)
	}
	return &own
}

func oneOf[T ~string](w words, text T) T {
	if text == "" {
		return ""
	}
	if known, ok := w[string(text)]; ok {
		return T(known)
	}
	w[string(text)] = string(text)
	return text
}
