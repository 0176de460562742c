package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Draw is what the facts say of one puncture.
type Draw struct {
	Key     event.Key
	Seq     uint64
	Patient string // random reference, of the first start that named one
	Meant   string // reference of the list's row it was begun from, empty when it was not
	Site    string
	Method  string
	Checks  []string // in the order in which they were made
	Started Mark
	Device  string
	Ended   Mark
	After   event.DrawEnded
	Failed  Mark // no blood was obtained
	// Mismatches are the near misses: a label of somebody else than the band. One that a
	// phone without network saw is noted as a defect of the draw, and says no more.
	Mismatches []event.IdentityMismatch
	Asked      []Ask
	Declined   Mark
	Done       Mark
	NewDraw    event.Key
	Tubes      []event.Key // collected in it, sorted

	starts   []string // ids of the records that started it
	patients []Mark   // Reason holds the patient: who said which
}

// Ask is one request for a new sample.
type Ask struct {
	event.RecollectionAsked
	Mark Mark
}

func (d *Draw) startedBy(s *drawStart) bool { return slices.Contains(d.starts, scanID(s.id, s.seq)) }

// Draw gives what the facts say of a draw; false when there are none.
func (w *World) Draw(key event.Key) (*Draw, bool) {
	d, ok := w.draw(key)
	if !ok {
		return nil, false
	}
	d.Tubes = w.TubesOf(key)
	return d, true
}

// TubesOf gives the tubes that were collected in a draw, sorted, whether or not the draw
// has facts of its own.
func (w *World) TubesOf(draw event.Key) []event.Key {
	var out []event.Key
	for _, tube := range w.named(w.byDraw, event.KindDraw, draw) {
		if w.collectedIn(tube, draw) {
			out = append(out, tube)
		}
	}
	return out
}

// draw is Draw without its tubes.
func (w *World) draw(key event.Key) (*Draw, bool) {
	agg := w.agg(event.KindDraw, key)
	if agg == nil {
		return nil, false
	}
	d := &Draw{Key: key, Seq: w.Seq(Target{event.KindDraw, key})}
	for _, s := range foldSteps(event.KindDraw, agg) {
		if s.Voided {
			continue
		}
		for _, fact := range s.Facts {
			d.apply(&s, fact)
		}
	}
	return d, true
}

func (d *Draw) apply(s *Step, fact event.Fact) {
	switch f := fact.(type) {
	case event.DrawStarted:
		if !d.Started.Is() {
			d.Started, d.Device = mark(s, "", event.Ciphertext{}), s.Record.Device
		}
		keepFirst(&d.Patient, f.Patient)
		keepFirst(&d.Meant, f.Meant)
		keepFirst(&d.Site, f.Site)
		keepFirst(&d.Method, f.Method)
		for _, c := range f.Checks {
			if !slices.Contains(d.Checks, c) {
				d.Checks = append(d.Checks, c)
			}
		}
		d.starts = append(d.starts, idOf(s.Record))
		for _, r := range s.Repeats {
			d.starts = append(d.starts, idOf(r))
		}
		if f.Patient != "" {
			d.patients = append(d.patients, mark(s, f.Patient, event.Ciphertext{}))
		}
	case event.CollectionFailed:
		keepFirst(&d.Patient, f.Patient)
		d.Failed = mark(s, f.Reason, f.Note)
	case event.IdentityMismatch:
		d.Mismatches = append(d.Mismatches, f)
	case event.DefectNoted:
		if f.Defect == string(event.DoubtIdentityMismatch) {
			d.Mismatches = append(d.Mismatches, event.IdentityMismatch{})
		}
	case event.DrawEnded:
		d.Ended, d.After = mark(s, "", f.Note), f
	case event.RecollectionAsked:
		d.Asked = append(d.Asked, Ask{RecollectionAsked: f, Mark: mark(s, f.Reason, f.Note)})
	case event.RecollectionDeclined:
		d.Declined = mark(s, f.Reason, f.Note)
	case event.RecollectionDone:
		d.Done, d.NewDraw = mark(s, "", event.Ciphertext{}), f.NewDraw
	}
}

// AskedDraws lists the draws for which a new sample was ever asked, sorted. An entry may
// be of an asking that was voided. It wakes all that rest: see AskedSince.
func (w *World) AskedDraws() []event.Key {
	return w.AskedSince(0)
}

// AskedSince is AskedDraws without those that rest and to which nothing happened at an
// instant or later; what is asked and not answered never rests.
func (w *World) AskedSince(t event.Instant) []event.Key {
	w.wakeAll(w.asleep.since(nil, traceKey{kind: traceAsked}, t))
	var draws []event.Key
	for _, of := range w.asked {
		draws = append(draws, of...)
	}
	slices.Sort(draws)
	return slices.Compact(draws)
}

// Again lists the tubes of a request for which a new sample is asked that nobody has
// declined or drawn yet, sorted.
func (w *World) Again(request event.Key) []event.Key {
	tubes := w.named(w.byRequest, event.KindRequest, request)
	if len(w.asked) == 0 {
		return nil // no new sample was ever asked for
	}
	var out []event.Key
	for _, tube := range tubes {
		if w.wantedAgain(tube) && w.tied(tube, Target{event.KindRequest, request}) {
			out = append(out, tube)
		}
	}
	return out
}

func (w *World) wantedAgain(tube event.Key) bool {
	for _, draw := range w.asked[tube] {
		d, ok := w.draw(draw)
		if !ok {
			continue
		}
		for _, a := range d.Asked {
			answered := d.Declined.Is() && d.Declined.At >= a.Mark.At || d.Done.Is() && d.Done.At >= a.Mark.At
			if !answered && slices.Contains(a.Tubes, tube) {
				return true
			}
		}
	}
	return false
}

// collectedIn reports whether a collection that counts names the draw.
func (w *World) collectedIn(tube, draw event.Key) bool {
	agg := w.agg(event.KindTube, tube)
	return agg != nil && slices.ContainsFunc(foldSteps(event.KindTube, agg), func(s Step) bool {
		f, ok := first[event.Collected](s.Facts)
		return ok && !s.Voided && f.Draw == draw
	})
}

// asksFor reports whether the draw asks for a new sample for the tube.
func (w *World) asksFor(draw, tube event.Key, until event.Instant) bool {
	agg := w.agg(event.KindDraw, draw)
	return agg != nil && slices.ContainsFunc(foldSteps(event.KindDraw, agg), func(s Step) bool {
		f, ok := first[event.RecollectionAsked](s.Facts)
		return ok && !s.Voided && (until == 0 || s.At() <= until) && slices.Contains(f.Tubes, tube)
	})
}
