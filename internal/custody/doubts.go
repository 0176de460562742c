package custody

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"slices"

	"specimen.example/custody/internal/event"
)

// OpenDoubt is a doubt that stands.
type OpenDoubt struct {
	// ID is 32 hex digits: a hash of the doubt, the aggregate and the facts it rests on.
	ID     string
	Doubt  event.Doubt
	Causes []string // ids of the records, sorted
	// Since is from when it stands. It may lie ahead: what is on its way is late only
	// when its time is over. Standing says which stand at an instant.
	Since event.Instant
	// Told: it stands because a fact in the log raised it; this package doesn't
	// work it out itself (see Derives).
	Told bool
}

// PastDoubt is what the log holds of one doubt: raised, and closed or not.
type PastDoubt struct {
	ID       string
	Doubt    event.Doubt
	Causes   []string
	RaisedAt event.Instant
	ClosedAt event.Instant // 0: open
	By       string        // facts or person
	Actor    string        // who closed it
	Reason   string
}

// finding is a doubt as the fold meets it.
type finding struct {
	doubt  event.Doubt
	causes []string
	since  event.Instant
}

// derives are the doubts that follow from the facts of one aggregate and its carriers.
var derives = []event.Doubt{
	event.DoubtOneNumberTwoTubes, event.DoubtTwoPlaces, event.DoubtReceivedBeforeCollected, event.DoubtNotInCarrier,
	event.DoubtMissing, event.DoubtLegNotReported, event.DoubtAfterDisposal, event.DoubtClockWrong,
	event.DoubtOneSidedHandoff, event.DoubtCollectionTimeConflict, event.DoubtBrokenSeal, event.DoubtIdentityMismatch,
	event.DoubtWrongTubeType, event.DoubtUnlabelled, event.DoubtTwoPatients, event.DoubtLate, event.DoubtExtra,
	event.DoubtImpossibleTravel, event.DoubtOverlap, event.DoubtClockJumped,
}

// Standing gives those of the doubts that stand at an instant, and the first instant
// after it at which another one will, 0 for none.
func Standing(doubts []OpenDoubt, at event.Instant) (now []OpenDoubt, next event.Instant) {
	for _, d := range doubts {
		switch {
		case d.Since <= at:
			now = append(now, d)
		case next == 0 || d.Since < next:
			next = d.Since
		}
	}
	return now, next
}

// Derives reports whether Doubts works this doubt out by itself. A raised doubt
// of such a kind that Doubts no longer gives was settled by later facts.
func Derives(d event.Doubt) bool { return slices.Contains(derives, d) }

// Doubts gives the doubts that stand for a tube, sorted by instant.
func (w *World) Doubts(tube event.Key) []OpenDoubt {
	return w.DoubtsOf(Target{event.KindTube, tube}, 0)
}

// DoubtsOf gives the doubts that stand for a tube, carrier, device or draw by
// the facts up to an instant and at it; 0: by all facts, with those that will stand
// unless further facts come (see Standing). A doubt that a person explained is gone.
func (w *World) DoubtsOf(t Target, at event.Instant) []OpenDoubt {
	var found []finding
	switch t.Kind {
	case event.KindTube:
		if d := w.derive(t.Key, at, nil); d != nil {
			found = d.doubts
		}
	case event.KindCarrier:
		_, found = w.carrier(t.Key, at)
		found = append(found, w.countDoubts(t.Key, at)...)
	case event.KindDevice:
		found = append(w.clockDoubts(t.Key, at), w.jumps(t.Key, at)...)
	case event.KindDraw:
		found = w.drawDoubts(t.Key)
	}
	return w.stand(t, found, at)
}

// stand gives which of the findings stand, and what was told beside them.
func (w *World) stand(t Target, found []finding, at event.Instant) []OpenDoubt {
	past := w.DoubtHistory(t, at)
	var out []OpenDoubt
	for _, f := range found {
		o := f.open(t)
		if !slices.ContainsFunc(past, func(p PastDoubt) bool { return p.ID == o.ID && p.byPerson() }) &&
			!slices.ContainsFunc(out, func(p OpenDoubt) bool { return p.ID == o.ID }) {
			out = append(out, o)
		}
	}
	for _, p := range past {
		if p.ClosedAt == 0 && !Derives(p.Doubt) && p.Doubt != "" {
			out = append(out, OpenDoubt{ID: p.ID, Doubt: p.Doubt, Causes: p.Causes, Since: p.RaisedAt, Told: true})
		}
	}
	slices.SortFunc(out, func(a, b OpenDoubt) int { return cmp.Or(cmp.Compare(a.Since, b.Since), cmp.Compare(a.ID, b.ID)) })
	if at != 0 {
		out, _ = Standing(out, at)
	}
	return out
}

// counted is how many tubes a fact says are inside a carrier, 0 when none says so.
func counted(facts []event.Fact) int64 {
	for _, fact := range facts {
		switch f := fact.(type) {
		case event.Sealed:
			return f.Count
		case event.Released:
			return f.Count
		case event.TakenOver:
			return f.Count
		}
	}
	return 0
}

// countDoubts compares each count of a carrier's tubes with those that were scanned
// into it by then. The last count says how it is: one that is right settles those
// before it, and one that differs by as many tells of the same tubes. What is missing
// is settled, too, when each tube that should be inside was scanned by itself.
func (w *World) countDoubts(carrier event.Key, at event.Instant) []finding {
	agg := w.logs[event.KindCarrier][carrier]
	if agg == nil || !agg.counts {
		return nil
	}
	var last *Step // at which the difference was another one
	var before int64
	own := agg.steps()
	for i := range own {
		s := &own[i]
		count := counted(s.Facts)
		if s.Voided || count == 0 || at != 0 && s.At() > at {
			continue
		}
		inside, known := agg.inside[s.At()]
		if !known {
			inside = int32(len(w.tubesIn(carrier, s.At()))) //nolint:gosec // tubes of one box
		}
		if over := count - int64(inside); over != before {
			last, before = s, over
		}
	}
	switch {
	case before < 0 && !w.eachSeen(w.tubesIn(carrier, last.At()), last.At(), at):
		return []finding{{doubt: event.DoubtMissing, causes: []string{idOf(last.Record)}, since: last.At()}}
	case before > 0:
		return []finding{{doubt: event.DoubtExtra, causes: []string{idOf(last.Record)}, since: last.At()}}
	}
	return nil
}

// eachSeen: every one of the tubes has a scan of its own after an instant, up to
// another (0: by all facts).
func (w *World) eachSeen(tubes []Content, after, until event.Instant) bool {
	return !slices.ContainsFunc(tubes, func(c Content) bool {
		agg := w.agg(event.KindTube, c.Key)
		return agg == nil || !slices.ContainsFunc(foldSteps(event.KindTube, agg), func(s Step) bool {
			return !s.Voided && s.At() > after && (until == 0 || s.At() <= until) && anyPhysical(s.Facts)
		})
	})
}

func (p PastDoubt) byPerson() bool { return p.ClosedAt != 0 && p.By != "facts" }

func (f finding) open(t Target) OpenDoubt {
	causes := slices.Clone(f.causes)
	slices.Sort(causes)
	causes = slices.Compact(causes)
	return OpenDoubt{ID: DoubtID(f.doubt, t, causes), Doubt: f.doubt, Causes: causes, Since: f.since}
}

// DoubtID is the id of a doubt of an aggregate that rests on the records named,
// which must be sorted. The leader uses it for the doubts it raises itself.
func DoubtID(doubt event.Doubt, t Target, causes []string) string {
	h := sha256.New()
	for _, part := range append([]string{string(doubt), string(t.Kind), string(t.Key)}, causes...) {
		h.Write([]byte(part))
		h.Write([]byte{0})
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// DoubtHistory gives every doubt that the log raised or closed for an aggregate,
// in order of raising; those of before an instant (0: all).
func (w *World) DoubtHistory(t Target, at event.Instant) []PastDoubt {
	agg := w.agg(t.Kind, t.Key)
	if agg == nil {
		return nil
	}
	var out []PastDoubt
	entry := func(id string) *PastDoubt {
		i := slices.IndexFunc(out, func(p PastDoubt) bool { return p.ID == id })
		if i < 0 {
			out = append(out, PastDoubt{ID: id})
			i = len(out) - 1
		}
		return &out[i]
	}
	for _, s := range foldSteps(t.Kind, agg) {
		if s.Voided || at != 0 && s.At() > at {
			continue
		}
		for _, fact := range s.Facts {
			switch f := fact.(type) {
			case event.DoubtRaised:
				p := entry(f.ID)
				p.Doubt, p.Causes = event.Doubt(f.Doubt), f.Causes
				if p.RaisedAt == 0 {
					p.RaisedAt = s.At()
				}
				if !p.byPerson() {
					p.ClosedAt, p.By, p.Actor, p.Reason = 0, "", "", ""
				}
			case event.DoubtClosed:
				p := entry(f.ID)
				p.ClosedAt, p.By, p.Actor, p.Reason = s.At(), f.By, s.Record.Actor, f.Reason
			}
		}
	}
	return out
}

func (w *World) clockDoubts(device event.Key, at event.Instant) []finding {
	agg := w.logs[event.KindDevice][device]
	if agg == nil {
		return nil
	}
	var found []finding
	for _, s := range foldRecords(event.KindDevice, upTo(agg.all(), at), agg.voids) {
		f, ok := first[event.ClockMeasured](s.Facts)
		if !ok || s.Voided {
			continue
		}
		found = nil // the last measurement says how the clock is
		if f.OffsetMs > clockWrong || f.OffsetMs < -clockWrong {
			found = []finding{{doubt: event.DoubtClockWrong, causes: []string{idOf(s.Record)}, since: s.At()}}
		}
	}
	return found
}

func (w *World) drawDoubts(key event.Key) []finding {
	d, ok := w.draw(key)
	if !ok {
		return nil
	}
	for _, m := range d.patients {
		if w.others(m.Reason, d.patients[0].Reason) {
			return []finding{{doubt: event.DoubtTwoPatients, causes: []string{d.patients[0].Scan, m.Scan}, since: m.At}}
		}
	}
	return nil
}

// A typed and a scanned collection time further apart are asked about at once
// (design, section 7).
const collectionApart = 900_000 // ms

// look finds the doubts of a tube. It runs last: it reads what the fold derived.
func (d *derived) look(w *World, own []Step) {
	for _, f := range d.trail.findings {
		renamed := d.tube.NewLabel != "" // under its new number it is awaited, looked for and found
		if f.doubt == event.DoubtLate && renamed || f.doubt == event.DoubtMissing && (renamed || d.seenAfter(f.since)) {
			continue
		}
		d.doubts = append(d.doubts, f)
	}
	d.lookCollection(w, own)
	d.lookReception(own)
	d.lookRest(own)
	d.hold(w)
}

func (d *derived) add(doubt event.Doubt, since event.Instant, causes ...*Step) {
	ids := make([]string, 0, len(causes))
	for _, s := range causes {
		ids = append(ids, idOf(s.Record))
	}
	d.doubts = append(d.doubts, finding{doubt: doubt, causes: ids, since: since})
}

// seenAfter: its own step, or a person's word that the search ended, settles a missing tube.
func (d *derived) seenAfter(t event.Instant) bool {
	return slices.ContainsFunc(d.trail.own, func(s Step) bool {
		return !s.Voided && s.At() >= t && (anyPhysical(s.Facts) || holds[event.DeclaredLost](s.Facts))
	})
}

func (d *derived) lookCollection(w *World, own []Step) {
	var before *Step
	var earlier event.Collected
	label, labelled := d.labelPatient(own)
	for i := range own {
		s := &own[i]
		f, ok := first[event.Collected](s.Facts)
		if !ok || s.Voided {
			continue
		}
		for _, rec := range append([]*event.Record{s.Record}, s.Repeats...) {
			if iv := collectionTime(rec); iv.Latest-iv.Earliest > collectionApart && rec.Typed != 0 {
				d.add(event.DoubtCollectionTimeConflict, s.At(), s)
				break
			}
		}
		if patient := w.collectedFor(f); labelled && !d.tube.Reidentified.Is() && w.others(patient, label) {
			d.add(event.DoubtIdentityMismatch, s.At(), s)
		}
		if before != nil {
			if differ(earlier.Type, f.Type) || w.others(earlier.Patient, f.Patient) || differ(earlier.Draw, f.Draw) {
				d.add(event.DoubtOneNumberTwoTubes, s.At(), before, s)
			}
			if w.others(earlier.Patient, f.Patient) && !d.tube.Reidentified.Is() {
				d.add(event.DoubtTwoPatients, s.At(), before, s)
			}
			continue
		}
		before, earlier = s, f
	}
}

func differ[T ~string](a, b T) bool { return a != "" && b != "" && a != b }

// collectedFor is the patient of a collection: as said, else the draw's.
func (w *World) collectedFor(f event.Collected) string {
	if f.Patient == "" && f.Draw != "" {
		if draw, ok := w.draw(f.Draw); ok {
			return draw.Patient
		}
	}
	return f.Patient
}

// labelPatient is the patient for whom the label was made, or to whom a person
// corrected it.
func (d *derived) labelPatient(own []Step) (string, bool) {
	for i := len(own) - 1; i >= 0; i-- {
		if f, ok := first[event.Reidentified](own[i].Facts); ok && !own[i].Voided {
			return f.Patient, true
		}
	}
	for i := range own {
		if f, ok := first[event.TubePrepared](own[i].Facts); ok && !own[i].Voided && f.Patient != "" {
			return f.Patient, true
		}
	}
	for _, req := range d.orderedBy {
		if req.Patient != "" && slices.ContainsFunc(req.Assigned, func(a Assignment) bool { return a.Tube == d.tube.Key }) {
			return req.Patient, true
		}
	}
	return "", false
}

func (d *derived) lookReception(own []Step) {
	var before *Step
	var earlier event.Received
	moved := false
	for i := range own {
		s := &own[i]
		if s.Voided {
			continue
		}
		if holds[event.TakenOver](s.Facts) || holds[event.Released](s.Facts) || holds[event.Departed](s.Facts) ||
			holds[event.Referred](s.Facts) || holds[event.Packed](s.Facts) {
			moved = true
		}
		f, received := first[event.Received](s.Facts)
		if !received {
			continue
		}
		if before != nil && differ(earlier.Type, f.Type) && !d.found(event.DoubtOneNumberTwoTubes) {
			d.add(event.DoubtOneNumberTwoTubes, s.At(), before, s)
		}
		if before != nil && !moved && differ(before.Record.Place, s.Record.Place) {
			d.add(event.DoubtTwoPlaces, s.At(), before, s)
		}
		// A late scan of the collection is no conflict; a typed time after reception is.
		if d.tube.Collected && s.At() < max(d.tube.Zero.Earliest, d.typed) {
			d.add(event.DoubtReceivedBeforeCollected, s.At(), d.with(s, own)...)
			d.tube.TimeConflict = true
		}
		before, earlier, moved = s, f, false
	}
}

// with names s and the collection it contradicts.
func (d *derived) with(s *Step, own []Step) []*Step {
	for i := range own {
		if !own[i].Voided && holds[event.Collected](own[i].Facts) {
			return []*Step{s, &own[i]}
		}
	}
	return []*Step{s}
}

func (d *derived) lookRest(own []Step) {
	var disposed, typed, referred *Step
	seen := ""
	for i := range own {
		s := &own[i]
		if s.Voided {
			continue
		}
		if disposed != nil && anyPhysical(s.Facts) && !holds[event.DefectNoted](s.Facts) {
			d.add(event.DoubtAfterDisposal, s.At(), disposed, s)
		}
		if referred != nil && (anyPhysical(s.Facts) || holds[event.ResultIssued](s.Facts) || holds[event.DeclaredLost](s.Facts)) {
			referred = nil
		}
		for _, fact := range s.Facts {
			var kind string
			switch f := fact.(type) {
			case event.Referred:
				if f.Due != 0 {
					referred = s
				}
			case event.Disposed:
				disposed = s
			case event.TubePrepared:
				kind = f.Type
			case event.Collected:
				kind = f.Type
			case event.Received:
				kind = f.Type
			case event.DefectNoted:
				if f.Defect == string(event.DoubtUnlabelled) && !d.relabelled {
					d.add(event.DoubtUnlabelled, s.At(), s)
				}
			}
			if kind == "" {
				continue
			}
			if differ(seen, kind) && !d.found(event.DoubtOneNumberTwoTubes) {
				d.add(event.DoubtWrongTubeType, s.At(), typed, s)
			}
			seen, typed = kind, s
		}
	}
	if referred != nil {
		d.add(event.DoubtLate, d.tube.Due, referred) // it was expected back
	}
	d.lookAssigned(own)
}

// lookAssigned compares the type that was seen with the one the request named.
func (d *derived) lookAssigned(own []Step) {
	if d.assigned == "" || d.found(event.DoubtWrongTubeType) || d.found(event.DoubtOneNumberTwoTubes) || !differ(d.assigned, d.tube.Type) {
		return
	}
	for i := range own {
		s := &own[i]
		c, _ := first[event.Collected](s.Facts)
		r, _ := first[event.Received](s.Facts)
		if !s.Voided && (c.Type == d.tube.Type || r.Type == d.tube.Type) {
			d.add(event.DoubtWrongTubeType, s.At(), s)
			return
		}
	}
}

func (d *derived) found(doubt event.Doubt) bool {
	return slices.ContainsFunc(d.doubts, func(f finding) bool { return f.doubt == doubt })
}

// hold: two tubes share the number until it is split or a person explains it.
func (d *derived) hold(w *World) {
	if len(d.tube.Parts) > 0 {
		d.doubts = slices.DeleteFunc(d.doubts, func(f finding) bool { return f.doubt == event.DoubtOneNumberTwoTubes })
		return
	}
	t := Target{event.KindTube, d.tube.Key}
	for _, f := range d.doubts {
		if f.doubt != event.DoubtOneNumberTwoTubes {
			continue
		}
		id := f.open(t).ID
		if !slices.ContainsFunc(w.DoubtHistory(t, 0), func(p PastDoubt) bool { return p.ID == id && p.byPerson() }) {
			d.tube.Held = true
		}
	}
}
