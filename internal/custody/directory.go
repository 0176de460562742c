package custody

import (
	"cmp"
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

// Place is what was declared of a place, last description first in force.
type Place struct {
	event.PlaceDescribed
	Key event.Key
	Seq uint64
}

// Device is what is known of a device.
type Device struct {
	Key           event.Key
	Seq           uint64
	DeviceKind    string
	Enrolled      bool // it was declared at all
	Active        bool
	Place         string        // where it belongs, empty for nowhere
	KeyID         string        // of the key that signs its facts, empty for none
	PublicKey     []byte        // SubjectPublicKeyInfo
	OffsetMs      int64         // device minus true, as last measured
	UncertaintyMs int64         // half width
	MeasuredAt    event.Instant // 0: never measured
}

// Person is what was declared of a person.
type Person struct {
	event.PersonDescribed
	Key event.Key
	Seq uint64
}

// Logger is what was declared of a logger and where it was.
type Logger struct {
	event.LoggerDescribed
	Key         event.Key
	Seq         uint64
	Calibration event.LoggerCalibrated
	Calibrated  event.Instant // 0: never stated
	Attached    []Attachment  // in order of time
	Imports     []Import      // files that were read in, in order of time, voided ones too
}

// Import is a logger's file that was read into the log.
type Import struct {
	event.LoggerFileImported
	Scan   string // id of the record
	At     event.Instant
	By     string
	Voided bool // its readings were taken back
}

// Attachment is one stretch of time a logger was on a carrier or a place.
type Attachment struct {
	Logger      event.Key
	To          Target
	From, Until event.Instant // Until 0: still there
}

// Route is a declared timetable.
type Route struct {
	event.RouteDescribed
	Key event.Key
	Seq uint64
}

// Adoption is a rule set put in force.
type Adoption struct {
	event.RulesAdopted
	Key     event.Key
	Adopted event.Instant
	By      string
	Scan    string
}

// placeKey is the key of a place named in a scan; names are the laboratory's
// own codes, so their scheme is the local one.
func placeKey(place string) event.Key {
	if place == "" {
		return ""
	}
	key, err := event.LocalKey(place)
	if err != nil {
		return ""
	}
	return key
}

// described gives the description in force at t: the last one up to t, before
// all of them the first. t 0 asks for the last.
func described[F event.Fact](w *World, target Target, t event.Instant) (F, bool) {
	var out F
	agg := w.agg(target.Kind, target.Key)
	if agg == nil {
		return out, false
	}
	found := false
	var gone map[string]bool
	if agg.voids {
		gone = voided(agg.all())
	}
	for _, rec := range agg.all() {
		if gone[idOf(rec)] {
			continue
		}
		if f, ok := first[F](rec.Facts); ok {
			if found && t != 0 && rec.Occurred > t {
				break
			}
			out, found = f, true
		}
	}
	return out, found
}

// Place gives the last description of a place named as in scans; false when it
// was never declared.
func (w *World) Place(name string) (Place, bool) { return w.PlaceAt(name, 0) }

// PlaceAt gives the description in force at an instant (0: the last).
func (w *World) PlaceAt(name string, t event.Instant) (Place, bool) {
	if name == "" {
		return Place{}, false
	}
	target := Target{event.KindPlace, placeKey(name)}
	f, ok := described[event.PlaceDescribed](w, target, t)
	return Place{PlaceDescribed: f, Key: target.Key, Seq: w.Seq(target)}, ok
}

// PlaceVersions gives every description of a place that counts, with the
// instant from which each is in force, in order of time.
func (w *World) PlaceVersions(name string) ([]event.PlaceDescribed, []event.Instant) {
	return versions[event.PlaceDescribed](w, Target{event.KindPlace, placeKey(name)})
}

// CarrierVersions is PlaceVersions for a carrier.
func (w *World) CarrierVersions(key event.Key) ([]event.CarrierDescribed, []event.Instant) {
	return versions[event.CarrierDescribed](w, Target{event.KindCarrier, key})
}

func versions[F event.Fact](w *World, target Target) (out []F, from []event.Instant) {
	agg := w.logs[target.Kind][target.Key]
	if agg == nil {
		return nil, nil
	}
	for _, s := range foldSteps(target.Kind, agg) {
		if f, ok := first[F](s.Facts); ok && !s.Voided {
			out, from = append(out, f), append(from, s.At())
		}
	}
	return out, from
}

func (w *World) placed(name string) bool {
	_, ok := w.Place(name)
	return ok
}

func (w *World) person(name string) bool {
	_, ok := w.Person(placeKey(name))
	return ok
}

func (w *World) carrierKind(key event.Key) string {
	f, _ := described[event.CarrierDescribed](w, Target{event.KindCarrier, key}, 0)
	return f.CarrierKind
}

// Person gives the last description of a person.
func (w *World) Person(key event.Key) (Person, bool) {
	target := Target{event.KindPerson, key}
	f, ok := described[event.PersonDescribed](w, target, 0)
	return Person{PersonDescribed: f, Key: key, Seq: w.Seq(target)}, ok
}

// Route gives the last description of a route.
func (w *World) Route(key event.Key) (Route, bool) {
	target := Target{event.KindRoute, key}
	f, ok := described[event.RouteDescribed](w, target, 0)
	return Route{RouteDescribed: f, Key: key, Seq: w.Seq(target)}, ok
}

// Device gives what is known of a device; false when nothing is.
func (w *World) Device(key event.Key) (Device, bool) {
	target := Target{event.KindDevice, key}
	agg := w.logs[event.KindDevice][key]
	if agg == nil {
		return Device{}, false
	}
	d := Device{Key: key, Seq: w.Seq(target)}
	for _, s := range foldSteps(event.KindDevice, agg) {
		if s.Voided {
			continue
		}
		for _, fact := range s.Facts {
			switch f := fact.(type) {
			case event.DeviceEnrolled:
				d.DeviceKind, d.Active, d.Place, d.Enrolled = f.DeviceKind, f.Active, f.Place, true
				d.KeyID, d.PublicKey = f.KeyID, f.PublicKey
			case event.ClockMeasured:
				d.OffsetMs, d.UncertaintyMs, d.MeasuredAt = f.OffsetMs, f.UncertaintyMs, s.At()
			}
		}
	}
	return d, true
}

// Logger gives what is known of a logger; false when nothing is.
func (w *World) Logger(key event.Key) (Logger, bool) {
	agg := w.logs[event.KindLogger][key]
	if agg == nil {
		return Logger{}, false
	}
	l := Logger{Key: key, Seq: w.Seq(Target{event.KindLogger, key}), LoggerDescribed: event.LoggerDescribed{HoldMs: -1}}
	for _, s := range foldSteps(event.KindLogger, agg) {
		if f, ok := first[event.LoggerFileImported](s.Facts); ok {
			l.Imports = append(l.Imports, Import{LoggerFileImported: f, Scan: idOf(s.Record), At: s.At(), By: s.Record.Actor, Voided: s.Voided})
		}
		if s.Voided {
			continue
		}
		for _, fact := range s.Facts {
			switch f := fact.(type) {
			case event.LoggerDescribed:
				l.LoggerDescribed = f
			case event.LoggerCalibrated:
				l.Calibration, l.Calibrated = f, s.At()
			case event.LoggerAttached:
				l.detach(s.At())
				l.Attached = append(l.Attached, Attachment{Logger: key, To: attachedTo(f), From: s.At()})
			case event.LoggerDetached:
				l.detach(s.At())
			}
		}
	}
	return l, true
}

func (l *Logger) detach(at event.Instant) {
	if n := len(l.Attached); n > 0 && l.Attached[n-1].Until == 0 {
		l.Attached[n-1].Until = at
	}
}

// LoggersOf lists when which loggers were on a carrier or a place, by logger and time.
func (w *World) LoggersOf(t Target) []Attachment {
	var out []Attachment
	for _, key := range w.loggersOn[t] {
		l, ok := w.Logger(key)
		if !ok {
			continue
		}
		for _, a := range l.Attached {
			if a.To == t && (a.Until == 0 || a.Until > a.From) {
				out = append(out, a)
			}
		}
	}
	return out
}

// Adoptions lists every adopted rule set, by the instant it comes in force,
// then by adoption.
func (w *World) Adoptions() []Adoption {
	var out []Adoption
	for key, agg := range w.logs[event.KindRules] {
		for _, s := range foldSteps(event.KindRules, agg) {
			if f, ok := first[event.RulesAdopted](s.Facts); ok && !s.Voided {
				out = append(out, Adoption{RulesAdopted: f, Key: key, Adopted: s.At(), By: s.Record.Actor, Scan: idOf(s.Record)})
			}
		}
	}
	slices.SortFunc(out, func(a, b Adoption) int {
		return cmp.Or(cmp.Compare(a.InForce, b.InForce), cmp.Compare(a.Adopted, b.Adopted), cmp.Compare(a.Key, b.Key), cmp.Compare(a.Scan, b.Scan))
	})
	return out
}

// Schemes are the number schemes in force, and the ids of those that ever were.
func (w *World) Schemes() (now event.SchemesDeclared, ever []string) {
	target := Target{event.KindRules, event.SchemesKey}
	now, _ = described[event.SchemesDeclared](w, target, 0)
	if agg := w.logs[target.Kind][target.Key]; agg != nil {
		for _, rec := range agg.all() {
			f, _ := first[event.SchemesDeclared](rec.Facts)
			for _, s := range f.Schemes {
				ever = append(ever, s.ID)
			}
		}
	}
	slices.Sort(ever)
	return now, slices.Compact(ever)
}

// Programmes are the spin programmes in force.
func (w *World) Programmes() []event.SpinProgramme {
	f, _ := described[event.ProgrammesDeclared](w, Target{event.KindRules, event.ProgrammesKey}, 0)
	return f.Programmes
}

// Places lists the names of the places that were declared, sorted.
func (w *World) Places() []string {
	var out []string
	for key := range w.logs[event.KindPlace] {
		if name := key.Label(); w.placed(name) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// OpenDraw gives the draw that is open on a device at an instant: the last one
// opened there, unless it was ended.
func (w *World) OpenDraw(device string, at event.Instant) (*Draw, bool) {
	for start := w.lastStart(device, at, nil); start != nil; start = w.lastStart(device, at, start) {
		d, ok := w.draw(start.draw)
		if !ok || !d.startedBy(start) {
			continue // that scan was voided
		}
		if d.Ended.Is() && d.Ended.At >= start.occurred && d.Ended.At <= at {
			return nil, false
		}
		return w.Draw(d.Key)
	}
	return nil, false
}

// lastStart is the last start of a draw on a device by an instant, and before another one
// where that is given. A draw at rest that may have been begun later is woken first.
func (w *World) lastStart(device string, at event.Instant, before *drawStart) *drawStart {
	a := &w.asleep
	if before != nil {
		at = min(at, before.occurred)
	}
	for {
		list := w.drawStarts[device]
		n := sort.Search(len(list), func(i int) bool {
			return list[i].occurred > at || before != nil && !list[i].before(before)
		})
		var last *drawStart
		from := uint32(0)
		if n > 0 {
			s := list[n-1] // the list moves when a case wakes
			last, from = &s, earliest(s.occurred)
		}
		if a.resting == 0 || a.failed != nil {
			return last
		}
		newest, found := span{}, false
		a.traces[traceKey{kind: traceDraws, name: device}].each(from, func(s span) {
			if a.beds[s.no].resting && s.from <= latest(at) && (!found || s.to > newest.to) {
				newest, found = s, true
			}
		})
		if !found {
			return last
		}
		w.wake(newest.no)
	}
}
