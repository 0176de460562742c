package custody

import (
	"reflect"
	"sort"

	"specimen.example/custody/internal/event"
)

// Two scans of one step on one device this close are one press of the trigger;
// paper and phone this close are two sources of one step (design, section 4).
const (
	repeatSameDevice  = 2_000   // ms
	repeatOtherSource = 300_000 // ms
)

// Step is one thing that happened to an aggregate: one record, or several that
// tell of the same thing.
type Step struct {
	Record *event.Record
	// Facts of the step; where two sources tell of it, what one left out is
	// filled from the other. Read only.
	Facts []event.Fact
	// Repeats are the further records folded into this step.
	Repeats []*event.Record
	// Inherited: it happened to a carrier while the tube was inside ("by box").
	Inherited bool
	// By is the carrier that was scanned, for an inherited step.
	By event.Key
	// Voided: taken back by a later record; it stays readable and counts nowhere.
	Voided bool
}

// At is the instant of the step.
func (s *Step) At() event.Instant { return s.Record.Occurred }

// foldSteps gives the folded steps of an aggregate, in fold order.
func foldSteps(kind event.Kind, agg *aggregate) []Step {
	if agg.boxed != nil {
		return agg.steps()
	}
	return foldRecords(kind, agg.all(), agg.voids)
}

// foldRecords folds records that are in fold order.
func foldRecords(kind event.Kind, records []*event.Record, voids bool) []Step {
	var gone map[string]bool
	if voids {
		gone = voided(records)
	}
	steps := make([]Step, 0, len(records))
	for _, rec := range records {
		if gone[idOf(rec)] {
			steps = append(steps, Step{Record: rec, Facts: rec.Facts, Voided: true})
			continue
		}
		steps = addStep(kind, steps, rec)
	}
	return steps
}

// voided names the records that don't count. Voids are read from the last to
// the first, so that a void which was itself voided gives its target back, and
// a ring of voids has one answer.
func voided(records []*event.Record) map[string]bool {
	gone := make(map[string]bool)
	done := make(map[string]bool)
	for i := len(records) - 1; i >= 0; i-- {
		id := idOf(records[i])
		if !holds[event.Voided](records[i].Facts) {
			continue
		}
		done[id] = true
		if gone[id] {
			continue
		}
		for _, f := range records[i].Facts {
			if v, ok := f.(event.Voided); ok && v.Scan != "" && !done[v.Scan] {
				gone[v.Scan] = true
			}
		}
	}
	return gone
}

// addStep appends rec, or folds it into the earlier step that it repeats.
func addStep(kind event.Kind, steps []Step, rec *event.Record) []Step {
	if mayRepeat(kind, rec) {
		for i := len(steps) - 1; i >= 0 && rec.Occurred-steps[i].At() <= repeatOtherSource; i-- {
			if s := &steps[i]; !s.Voided && repeats(s, rec) {
				s.Repeats = append(s.Repeats[:len(s.Repeats):len(s.Repeats)], rec)
				s.Facts = mergeFacts(s.Facts, rec.Facts)
				return steps
			}
		}
	}
	return append(steps, Step{Record: rec, Facts: rec.Facts})
}

func mayRepeat(kind event.Kind, rec *event.Record) bool {
	switch kind {
	case event.KindTube, event.KindCarrier, event.KindDraw:
	default:
		return false
	}
	for _, f := range rec.Facts {
		if !physical(f) {
			return false
		}
	}
	return len(rec.Facts) > 0
}

// repeats reports whether rec tells of the step s once more.
func repeats(s *Step, rec *event.Record) bool {
	if s.Record.Place != rec.Place || !sameFacts(s.Facts, rec.Facts) {
		return false
	}
	near := func(o *event.Record) bool {
		gap := rec.Occurred - o.Occurred
		if o.Device == rec.Device && onPaper(o) == onPaper(rec) {
			return gap <= repeatSameDevice
		}
		return gap <= repeatOtherSource && onPaper(o) != onPaper(rec)
	}
	if near(s.Record) {
		return true
	}
	for _, o := range s.Repeats {
		if near(o) {
			return true
		}
	}
	return false
}

// onPaper tells what was copied or imported from what was scanned on the spot.
func onPaper(r *event.Record) bool {
	return r.How == "paper" || r.TimeSource == "typed" || r.TimeSource == "imported" || r.Import != ""
}

// sameFacts: the same facts, and nothing said differently in both. Free text
// can't be compared (it is encrypted) and doesn't tell two steps apart.
func sameFacts(a, b []event.Fact) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].FactName() != b[i].FactName() || !compatible(reflect.ValueOf(a[i]), reflect.ValueOf(b[i])) {
			return false
		}
	}
	return true
}

var ciphertextType = reflect.TypeFor[event.Ciphertext]()

func compatible(a, b reflect.Value) bool {
	for i := range a.NumField() {
		x, y := a.Field(i), b.Field(i)
		if x.Type() == ciphertextType || unsaid(x) || unsaid(y) {
			continue
		}
		if !reflect.DeepEqual(x.Interface(), y.Interface()) {
			return false
		}
	}
	return true
}

func unsaid(v reflect.Value) bool {
	return v.IsZero() || v.Kind() == reflect.Slice && v.Len() == 0
}

// mergeFacts fills what the first source left out from the second.
func mergeFacts(a, b []event.Fact) []event.Fact {
	out := a
	for i := range a {
		x, y := reflect.ValueOf(a[i]), reflect.ValueOf(b[i])
		var filled reflect.Value
		for j := range x.NumField() {
			if unsaid(x.Field(j)) && !unsaid(y.Field(j)) {
				if !filled.IsValid() {
					filled = reflect.New(x.Type()).Elem()
					filled.Set(x)
				}
				filled.Field(j).Set(y.Field(j))
			}
		}
		if filled.IsValid() {
			if &out[0] == &a[0] {
				out = append([]event.Fact(nil), a...)
			}
			out[i] = filled.Interface().(event.Fact)
		}
	}
	return out
}

// physical reports whether a fact says that somebody had the thing before them.
// The others speak about it: orders, flags, doubts, results, descriptions.
func physical(f event.Fact) bool {
	switch f.(type) {
	case event.Collected, event.Packed, event.Unpacked, event.Released, event.TakenOver, event.Seen, event.Received,
		event.AcceptedForTesting, event.AcceptedWithDeviation, event.Rejected, event.DefectNoted, event.HandlingAttested,
		event.SpinStarted, event.SpinEnded, event.SpinFailed, event.Opened, event.Measured, event.FilmMade,
		event.IncubationStarted, event.IncubationEnded, event.Frozen, event.Thawed, event.Stored, event.Retrieved,
		event.Referred, event.Disposed, event.DerivedFrom, event.SameMaterialAs, event.Found,
		event.Sealed, event.SealBroken, event.Departed, event.Arrived, event.Emptied:
		return true
	}
	return false
}

func anyPhysical(facts []event.Fact) bool {
	for _, f := range facts {
		if physical(f) {
			return true
		}
	}
	return false
}

// upTo cuts records in fold order after the instant t; 0 keeps all.
func upTo(records []*event.Record, t event.Instant) []*event.Record {
	if t == 0 {
		return records
	}
	return records[:sort.Search(len(records), func(i int) bool { return records[i].Occurred > t })]
}
