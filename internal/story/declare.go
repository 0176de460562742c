package story

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// declarations builds what the story declares, things first that others refer to.
func (s *Story) declarations() []located {
	order := []string{"scheme", "place", "person", "device", "carrier", "logger", "route", "request", "tube"}
	decls := slices.Clone(s.Decls)
	slices.SortStableFunc(decls, func(a, b Decl) int {
		return cmp.Or(cmp.Compare(slices.Index(order, a.Kind), slices.Index(order, b.Kind)), cmp.Compare(a.Line, b.Line))
	})
	kinds := s.kinds()
	var out []located
	for _, d := range decls {
		if d.Kind == "tube" && s.declaresRequest(d.Attrs.Text("request")) {
			continue // the request carries it
		}
		out = append(out, located{line: d.Line, what: s.declare(d, kinds)})
	}
	return out
}

type located struct {
	line int
	what Declared
}

func (s *Story) declaresRequest(id string) bool {
	return slices.ContainsFunc(s.Decls, func(d Decl) bool { return d.Kind == "request" && d.ID == id })
}

func (s *Story) declare(d Decl, kinds map[string]event.Kind) Declared {
	as := d.Attrs
	band, _ := as.Get("assumed")
	review, _ := as.Get("review")
	kind := as.Text("kind")
	inactive := as.Text("active") == "no"
	switch d.Kind {
	case "place":
		spin, _ := as.Get("bench-spin")
		identify, _ := as.Get("identify")
		most, _ := as.Get("most-draw")
		return Place{ID: d.ID, Kind: cmp.Or(kind, s.placeKind(d.ID)), Zone: cmp.Or(as.Text("zone"), s.Zone), Assumed: band.Range,
			BenchSpin: spin.Duration, Relabel: as.Yes("relabel"), Owner: as.Text("owner"), Basis: as.Text("basis"), Review: review.Instant,
			Identify: identify.List, SecondPerson: as.Yes("second-person"), Spins: as.Yes("spins"), MostDraw: most.Number}
	case "person":
		return Person{ID: d.ID, Role: cmp.Or(as.Text("role"), s.role(d.ID)), Inactive: inactive}
	case "device":
		off, _ := as.Get("error")
		return Device{ID: d.ID, Kind: cmp.Or(kind, "phone"), Error: off.Duration, Inactive: inactive}
	case "carrier":
		return Carrier{ID: d.ID, Kind: cmp.Or(kind, s.carrierKind(d.ID)), OwnClimate: as.Yes("own-climate"), Assumed: band.Range,
			Owner: as.Text("owner"), Basis: as.Text("basis"), Review: review.Instant}
	case "logger":
		return s.logger(d, kinds)
	case "request":
		return s.request(d)
	case "route":
		takes, _ := as.Get("takes")
		departs, _ := as.Get("departs")
		return Route{ID: d.ID, From: as.Text("from"), To: as.Text("to"), Zone: cmp.Or(as.Text("zone"), s.Zone), Departs: departs.List, Takes: takes.Duration}
	case "scheme":
		reuse, _ := as.Get("reuse")
		in, _ := as.Get("stands-in")
		return Scheme{ID: d.ID, Pattern: as.Text("pattern"), Names: cmp.Or(as.Text("names"), string(event.KindTube)), Check: as.Text("check"), Case: as.Text("case"),
			Zeros: as.Text("zeros"), In: in.List, Framed: as.Yes("framed"), Ward: as.Text("ward") == "yes", PerType: as.Yes("per-type"), Reuse: reuse.Duration}
	default:
		tests, _ := as.Get("tests")
		conditions, _ := as.Get("condition")
		return Tube{ID: d.ID, Type: as.Text("type"), Patient: as.Text("patient"), Request: as.Text("request"),
			Tests: tests.List, Conditions: conditions.List, Irreplaceable: as.Yes("irreplaceable")}
	}
}

func (s *Story) logger(d Decl, kinds map[string]event.Kind) Logger {
	every, said := d.Attrs.Get("every")
	if !said {
		every.Duration = DefaultEvery
	}
	hold, said := d.Attrs.Get("hold")
	if !said {
		hold.Duration = -1
	}
	gap, _ := d.Attrs.Get("max-gap")
	uncertainty, _ := d.Attrs.Get("uncertainty")
	due, _ := d.Attrs.Get("due")
	l := Logger{ID: d.ID, Every: every.Duration, Hold: hold.Duration, MaxGap: gap.Duration, In: d.Attrs.Text("in"),
		Uncertainty: uncertainty.C, Due: due.Instant, Zone: d.Attrs.Text("zone")}
	if l.In != "" {
		l.InKind = event.KindCarrier
		if kinds[l.In] == event.KindPlace {
			l.InKind = event.KindPlace
		}
	}
	return l
}

// request builds a request with the tubes named on its own line and those that
// name it on theirs. Tests of the request go to every tube that names none.
func (s *Story) request(d Decl) Request {
	as := d.Attrs
	tests, _ := as.Get("tests")
	conditions, _ := as.Get("condition")
	tubes, _ := as.Get("tube")
	types := strings.Split(as.Text("type"), ",")
	r := Request{ID: d.ID, Patient: as.Text("patient"), Tests: tests.List, Conditions: conditions.List,
		Priority: as.Text("priority"), To: as.Text("to"), Irreplaceable: as.Yes("irreplaceable")}
	for i, id := range tubes.List {
		tube := RequestTube{ID: id, Tests: tests.List}
		switch {
		case len(types) == 1:
			tube.Type = types[0]
		case i < len(types):
			tube.Type = types[i]
		}
		r.Tubes = append(r.Tubes, tube)
	}
	for _, t := range s.Decls {
		if t.Kind != "tube" || t.Attrs.Text("request") != d.ID {
			continue
		}
		own, said := t.Attrs.Get("tests")
		if !said {
			own.List = tests.List
		}
		tube := RequestTube{ID: t.ID, Type: t.Attrs.Text("type"), Tests: own.List}
		at := slices.IndexFunc(r.Tubes, func(known RequestTube) bool { return known.ID == t.ID })
		if at >= 0 {
			tube.Type = cmp.Or(tube.Type, r.Tubes[at].Type)
			r.Tubes[at] = tube
		} else {
			r.Tubes = append(r.Tubes, tube)
		}
		for _, test := range own.List {
			if !slices.Contains(r.Tests, test) {
				r.Tests = append(slices.Clone(r.Tests), test)
			}
		}
	}
	return r
}

// placeKind infers what a place is from what is done there.
func (s *Story) placeKind(id string) string {
	for _, one := range []struct {
		kind  string
		verbs []string
	}{
		{"reception", []string{"receive"}},
		{"bench", []string{"accept", "spin", "end-spin", "rack", "measure"}},
	} {
		for _, st := range s.Steps {
			if st.Attrs.Text("at") == id && slices.Contains(one.verbs, st.Verb) {
				return one.kind
			}
		}
	}
	for _, st := range s.Steps {
		if (st.Verb == "store" && st.Attrs.Text("in") == id) || (st.Verb == "retrieve" && st.Attrs.Text("from") == id) {
			return "store"
		}
	}
	return "ward"
}

// role infers a person's role from what the person does.
func (s *Story) role(id string) string {
	for _, one := range []struct {
		role  string
		verbs []string
	}{
		{"scientist", []string{"adopt", "override"}},
		{"collector", []string{"collect", "wristband", "start-draw", "fail-collection", "end-draw"}},
		{"courier", []string{"take", "depart", "arrive"}},
	} {
		for _, st := range s.Steps {
			if st.Attrs.Text("by") == id && slices.Contains(one.verbs, st.Verb) {
				return one.role
			}
		}
	}
	return "reception"
}

func (s *Story) carrierKind(id string) string {
	for _, st := range s.Steps {
		if st.Verb == "rack" && st.Attrs.Text("in") == id {
			return "rack"
		}
	}
	return "box"
}

// undeclared gives, with defaults, the things that a step is the first to name.
// known holds kind and id of what has been declared and is added to.
func (s *Story) undeclared(st *Step, kinds map[string]event.Kind, known map[string]bool) []Declared {
	var out []Declared
	add := func(kind, id string) { out = append(out, s.missing(kind, id, kinds, known)...) }
	add("place", st.Attrs.Text("at"))
	add("person", st.Attrs.Text("by"))
	add("person", st.Attrs.Text("with"))
	add("device", st.Attrs.Text("on"))
	for _, key := range []string{"from", "to"} {
		if id := st.Attrs.Text(key); id != "" {
			add(s.partyKind(st.Verb, key, id, kinds), id)
		}
	}
	if in := st.Attrs.Text("in"); in != "" {
		kind := "carrier"
		if !takesCarrier(st.Verb) && (kinds[in] == event.KindPlace || st.Verb == "store") {
			kind = "place"
		}
		add(kind, in)
	}
	for _, id := range st.IDs {
		kind := verbs[st.Verb].names
		if kind == "" {
			kind = kinds[id]
		}
		if kind == event.KindCarrier || kind == event.KindLogger {
			add(string(kind), id)
		}
	}
	add("logger", loggerOfImport(st))
	return out
}

// missing gives the thing with its defaults unless it is known.
func (s *Story) missing(kind, id string, kinds map[string]event.Kind, known map[string]bool) []Declared {
	if id == "" || known[kind+" "+id] {
		return nil
	}
	known[kind+" "+id] = true
	return []Declared{s.declare(Decl{Kind: kind, ID: id}, kinds)}
}

// referred gives, with defaults, the things that a declaration is the first to name.
func (s *Story) referred(d Declared, kinds map[string]event.Kind, known map[string]bool) []Declared {
	switch d := d.(type) {
	case Logger:
		return s.missing(string(d.InKind), d.In, kinds, known)
	case Route:
		return append(s.missing("place", d.From, kinds, known), s.missing("place", d.To, kinds, known)...)
	case Request:
		return s.missing("place", d.To, kinds, known)
	default:
		return nil
	}
}

func loggerOfImport(st *Step) string {
	if st.Verb != "import" {
		return ""
	}
	return st.Attrs.Text("logger")
}

// partyKind tells a person from a place in from= and to=.
func (s *Story) partyKind(verb, key, id string, kinds map[string]event.Kind) string {
	switch {
	case kinds[id] == event.KindPlace || kinds[id] == event.KindPerson:
		return string(kinds[id])
	case key == "to" && verb != "release", verb == "retrieve":
		return "place"
	default:
		return "person"
	}
}

// start is an instant before everything that the story speaks of.
func (s *Story) start() event.Instant {
	var first event.Instant
	earlier := func(at event.Instant) {
		if at != 0 && (first == 0 || at < first) {
			first = at
		}
	}
	for _, st := range s.Steps {
		earlier(st.At)
		earlier(st.Span.From)
	}
	for _, c := range s.Checks {
		earlier(c.At)
	}
	if first == 0 {
		return event.At(time.Date(2000, time.January, 1, 0, 0, 0, 0, time.UTC))
	}
	return first.Add(-time.Minute)
}
