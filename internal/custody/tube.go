package custody

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Tube is what the facts say of one tube up to an instant. It is worked out
// fresh by each call and belongs to the caller, except for the records inside.
type Tube struct {
	Key event.Key
	Seq uint64 // last stream sequence of its subject

	Type    string // as last seen: at reception, else at collection, else as prepared or assigned
	Patient string // random reference
	Draw    event.Key
	Request event.Key
	// Tests are the assay codes to be run, sorted: assigned, prepared or said at the
	// bedside, with those added to the request and without those withdrawn.
	Tests []string
	// Added are those of Tests that were added to the request without naming a
	// tube; another tube of the request may be the right one for them.
	Added      []string
	TestsKnown bool
	// CustodyOnly: nothing shall be tested (the test list was "none", or the request was cancelled).
	CustodyOnly   bool
	Cancelled     bool // the request was cancelled
	Conditions    map[string]bool
	Irreplaceable bool
	Priority      string
	Destination   string // laboratory it shall reach

	// Zero is when blood entered the tube. Earliest 0: not known; Latest is then
	// the first moment the full tube was seen (0: never seen).
	Zero Interval
	// TimeConflict: received before collected, by what was told.
	TimeConflict bool
	Collected    bool
	DrawnUl      int64    // microlitres that were said to be drawn, 0 when not said
	Changes      []Change // in order of time
	Ended        []Ended  // in order of time
	Handling     []Handling
	InFoil       bool // attested protected from light, still so

	Holder   string      // person or place answerable now
	Place    string      // last place known
	Moving   bool        // on the way since a take or a departure
	Mode     string      // transport mode of the leg
	Carriers []event.Key // innermost first

	Received Mark // first reception that counts
	Accepted Mark // at the bench, with or without deviation
	Rejected Mark
	Disposed Mark
	Lost     Mark // declared lost and not found since
	Referred Mark // sent to another laboratory
	Due      event.Instant
	Resulted Mark
	Stored   Mark
	Spinning Mark // in the centrifuge now
	Held     bool // two tubes share the number; stops live work
	Parts    []event.Key
	Parent   event.Key // tube it was derived from, or the earlier number of the same material
	// Reidentified: a person corrected whom it belongs to.
	Reidentified Mark
	Relabel      bool      // Parent is the same tube under another number
	NewLabel     event.Key // later number of the same tube
	Children     []event.Key
	Asked        []event.Key // draws in which a new sample was asked for it

	Flag     FlagState
	Timeline []Step // own and inherited, voided ones too, in order of time
}

// Interval is a stretch of time, both ends inside.
type Interval struct{ Earliest, Latest event.Instant }

// Mark is one step that counts, or the zero value.
type Mark struct {
	At     event.Instant
	By     string // actor
	Place  string
	Reason string
	Note   event.Ciphertext
	Scan   string // id of the record
}

// Is reports whether the step happened.
func (m Mark) Is() bool { return m.Scan != "" || m.At != 0 }

// Change is a change of the material.
type Change struct {
	What ChangeKind
	At   event.Instant // the latest instant it may have happened, which is what limits use
	// Earliest differs from At for a declared step only.
	Earliest event.Instant
	Declared bool // no scan: the bench's declared practice
}

// ChangeKind says how the material changed.
type ChangeKind string

// The changes of material. What a spin leaves behind (gel or cells) depends on
// the tube type, which this package doesn't know.
const (
	Spun      ChangeKind = "spun"
	SpunAgain ChangeKind = "spun-again"
	Separated ChangeKind = "separated"
	Froze     ChangeKind = "frozen"
	ThawedOut ChangeKind = "thawed"
)

// Ended is a step that ends limits, for some tests (none named: all).
type Ended struct {
	What  event.Ending
	At    event.Instant
	Tests []string
}

// Handling is a person's word for how the tube was kept.
type Handling struct {
	What        string        // on-ice, in-foil, flask-37 or upright
	From, Until event.Instant // Until 0: still so
	By          string
	Inherited   bool
}

// FlagState is the one flag of a tube with its acknowledgements.
type FlagState struct {
	Open        bool
	Flag        event.Flag
	Since       event.Instant // when the open or last episode was raised
	LastEpisode int64
	Taken       Mark
	Acted       []Mark // Reason holds the action
	PutAside    Mark
	AsideUntil  event.Instant
	Overridden  Mark
	// Beforehand: the override names no episode (a wait has no flag); it stands on.
	Beforehand bool
	Cleared    Mark
}

// Tube gives what the facts say of a tube; false when there are none.
func (w *World) Tube(key event.Key) (*Tube, bool) { return w.TubeAt(key, 0) }

// TubeAt is Tube with the facts that occurred up to and at t; 0 means all.
func (w *World) TubeAt(key event.Key, t event.Instant) (*Tube, bool) {
	d := w.derive(key, t, nil)
	if d == nil {
		return nil, false
	}
	return &d.tube, true
}

// Look is one tube worked out once, for a caller that asks several things of it.
// It is true until Apply names the tube among what may have changed.
type Look struct {
	w *World
	d *derived
}

// Look works a tube out; false when there are no facts of it.
func (w *World) Look(key event.Key) (Look, bool) {
	d := w.derive(key, 0, nil)
	return Look{w, d}, d != nil
}

// Tube is what World.Tube gives, shared by all who look.
func (l Look) Tube() *Tube { return &l.d.tube }

// Journey is what World.Journey gives without an end.
func (l Look) Journey() []Leg { return l.d.journey(0) }

// Doubts is what World.Doubts gives.
func (l Look) Doubts() []OpenDoubt {
	return l.w.stand(Target{event.KindTube, l.d.tube.Key}, l.d.doubts, 0)
}

// derived is a tube with what doubts and journeys need beside it.
type derived struct {
	tube      Tube
	trail     *trail
	parent    *derived
	split     event.Instant // when the number was split, 0 for never
	first     event.Instant // first moment the full tube was seen
	orderedBy []*Request
	// assigned is the tube type that a request named for it.
	assigned string
	// relabelled: it was given another number by two persons, with a reason.
	relabelled bool
	// typed is the latest collection time that a person typed.
	typed  event.Instant
	doubts []finding
}

// derive works a tube out. Path holds the tubes that ask, so that a ring of
// parents ends.
func (w *World) derive(key event.Key, t event.Instant, path []event.Key) *derived {
	agg := w.agg(event.KindTube, key)
	records := []*event.Record(nil)
	if agg != nil {
		records = upTo(agg.all(), t)
	}
	if len(records) == 0 && len(w.assigned[key]) == 0 && len(w.splits[key]) == 0 {
		return nil
	}
	d := &derived{tube: Tube{Key: key, Seq: w.Seq(Target{event.KindTube, key})}}
	own := foldRecords(event.KindTube, records, agg != nil && agg.voids)
	path = append(path, key)
	d.lineage(w, own, t, path)
	d.trail = w.trailOf(Target{event.KindTube, key}, own, t, d.startState(own))
	d.tube.Timeline = d.trail.steps
	d.labels(w, own)
	d.orders(w, t)
	if len(records) == 0 && len(d.orderedBy) == 0 && d.split == 0 {
		return nil // an index entry whose fact doesn't count
	}
	d.life(w, t)
	d.offCells(w, t)
	d.flags(own)
	d.look(w, own)
	d.place()
	return d
}

// lineage finds the material this tube came from.
func (d *derived) lineage(w *World, own []Step, t event.Instant, path []event.Key) {
	var parent event.Key
	until := t
	for i := range own {
		if own[i].Voided {
			continue
		}
		if f, ok := first[event.DerivedFrom](own[i].Facts); ok {
			parent, until = f.Parent, own[i].At()
			break
		}
		if f, ok := first[event.SameMaterialAs](own[i].Facts); ok {
			parent, until, d.tube.Relabel = f.Tube, own[i].At(), true
			break
		}
	}
	d.tube.Parent = parent
	if parent == "" {
		for _, held := range w.splits[d.tube.Key] {
			if at := w.splitAt(held, d.tube.Key, t); at != 0 {
				parent, until, d.split = held, at, at
				break
			}
		}
	}
	if parent != "" && !slices.Contains(path, parent) {
		d.parent = w.derive(parent, until, path)
	}
}

// splitAt is the instant at which held was split into part, 0 for never.
func (w *World) splitAt(held, part event.Key, t event.Instant) event.Instant {
	agg := w.agg(event.KindTube, held)
	if agg == nil {
		return 0
	}
	for _, s := range foldRecords(event.KindTube, upTo(agg.all(), t), agg.voids) {
		if f, ok := first[event.SplitInto](s.Facts); ok && !s.Voided && slices.Contains(f.Tubes, part) {
			return s.At()
		}
	}
	return 0
}

// startState: an aliquot or a new label starts where its material was.
func (d *derived) startState(own []Step) state {
	if d.parent == nil || len(own) == 0 {
		return state{}
	}
	st := d.parent.trail.last()
	st.released, st.gap = nil, nil // the parent's own doubts
	if !d.tube.Relabel {
		st.carrier, st.chain, st.due = "", nil, 0 // an aliquot is a tube of its own, and nobody promised it
	}
	return st
}

// labels reads who the tube belongs to and when it was filled.
func (d *derived) labels(w *World, own []Step) {
	t := &d.tube
	var prepared event.TubePrepared
	for i := range own {
		if own[i].Voided {
			continue
		}
		for _, fact := range own[i].Facts {
			switch f := fact.(type) {
			case event.TubePrepared:
				prepared = f
			case event.Collected:
				if !t.Collected {
					t.Patient, t.Draw, t.Request, t.Type = f.Patient, f.Draw, f.Request, f.Type
				}
				t.Collected = true
				if f.VolumeUl != 0 {
					t.DrawnUl = f.VolumeUl
				}
				d.fill(&own[i])
				keepFirst(&t.Type, f.Type)
			case event.Received:
				if f.Type != "" {
					t.Type = f.Type
				}
			case event.DerivedFrom:
				t.Type = f.Type
			}
		}
	}
	if t.Draw != "" {
		if draw, ok := w.draw(t.Draw); ok {
			keepFirst(&t.Patient, draw.Patient)
		}
	}
	for i := range own {
		if f, ok := first[event.Reidentified](own[i].Facts); ok && !own[i].Voided {
			t.Patient, t.Reidentified = f.Patient, mark(&own[i], f.Reason, f.Note)
			if f.Request != "" {
				t.Request = f.Request
			}
		}
	}
	keepFirst(&t.Type, prepared.Type)
	keepFirst(&t.Patient, prepared.Patient)
	keepFirst(&t.Request, prepared.Request)
	if p := d.parent; p != nil {
		if t.Relabel || d.split == 0 {
			keepFirst(&t.Patient, p.tube.Patient)
			keepFirst(&t.Draw, p.tube.Draw)
			keepFirst(&t.Request, p.tube.Request)
		}
		if t.Relabel {
			keepFirst(&t.Type, p.tube.Type)
		}
		if !t.Collected {
			t.Zero, t.Collected, t.TimeConflict, d.first = p.tube.Zero, p.tube.Collected, p.tube.TimeConflict, p.first
			t.Changes = append(t.Changes, p.tube.Changes...)
			t.InFoil = p.tube.InFoil && t.Relabel
			if t.Relabel {
				t.Ended = append(t.Ended, p.tube.Ended...)
			}
		}
	}
}

func keepFirst[T ~string](at *T, value T) {
	if *at == "" {
		*at = value
	}
}

// fill widens clock zero by one collection step and its repeats.
func (d *derived) fill(s *Step) {
	for i := -1; i < len(s.Repeats); i++ {
		rec := s.Record
		if i >= 0 {
			rec = s.Repeats[i]
		}
		iv := collectionTime(rec)
		d.typed = max(d.typed, rec.Typed)
		if d.tube.Zero.Earliest == 0 {
			d.tube.Zero = iv
			continue
		}
		d.tube.Zero.Earliest = min(d.tube.Zero.Earliest, iv.Earliest)
		d.tube.Zero.Latest = max(d.tube.Zero.Latest, iv.Latest)
	}
}

// An uncertain device clock widens the interval only when the doubt is larger
// than the offset at which a clock counts as wrong; below it a scan is a scan.
const clockWrong = 120_000 // ms

// collectionTime is the interval in which blood entered the tube by one record:
// the scan alone, the typed time alone, or both with all between.
func collectionTime(rec *event.Record) Interval {
	iv := Interval{rec.Occurred, rec.Occurred}
	switch {
	case rec.Typed == 0:
	case rec.TimeSource == "typed":
		iv = Interval{rec.Typed, rec.Typed}
	default:
		iv = Interval{min(rec.Typed, rec.Occurred), max(rec.Typed, rec.Occurred)}
	}
	if rec.UncertaintyMs > clockWrong && iv.Earliest == rec.Occurred {
		iv.Earliest -= event.Instant(rec.UncertaintyMs)
	}
	return iv
}

// place reads where the trail ended.
func (d *derived) place() {
	st, t := d.trail.last(), &d.tube
	t.Holder, t.Place, t.Moving, t.Mode, t.Carriers = st.holder, st.place, st.moving, st.mode, st.chain
}
