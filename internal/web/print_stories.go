package web

import (
	"context"
	"fmt"
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// storyPrint is what the printed pages of a story rest on.
type storyPrint struct {
	schemes  []label.Scheme
	tubes    []PrintTube
	request  string // label of the request that they belong to
	carriers []PrintCarrier
	places   []PrintPlace
	contents PrintContents
}

// PrintTube is part of PrintSource.
func (s Story) PrintTube(_ context.Context, key event.Key) (PrintTube, error) {
	if s.printed != nil {
		for _, t := range s.printed.tubes {
			if t.Key == key {
				return t, s.fault
			}
		}
	}
	return PrintTube{}, ErrNotFound
}

// PrintRequest is part of PrintSource.
func (s Story) PrintRequest(_ context.Context, key event.Key) ([]PrintTube, error) {
	if s.printed == nil || key.Label() != s.printed.request {
		return nil, ErrNotFound
	}
	return slices.Clone(s.printed.tubes), s.fault
}

// PrintCarriers is part of PrintSource.
func (s Story) PrintCarriers(context.Context) ([]PrintCarrier, error) {
	if s.printed == nil {
		return nil, nil
	}
	return slices.Clone(s.printed.carriers), s.fault
}

// PrintPlaces is part of PrintSource.
func (s Story) PrintPlaces(context.Context) ([]PrintPlace, error) {
	if s.printed == nil {
		return nil, nil
	}
	return slices.Clone(s.printed.places), s.fault
}

// PrintContents is part of PrintSource.
func (s Story) PrintContents(_ context.Context, key event.Key) (PrintContents, error) {
	if s.printed == nil {
		return PrintContents{}, ErrNotFound
	}
	for _, c := range s.printed.carriers {
		switch {
		case c.Key == key && key == s.printed.contents.Carrier.Key:
			return s.printed.contents, s.fault
		case c.Key == key:
			return PrintContents{Now: storyNow, Carrier: c, Name: c.Kind + " " + key.Label()}, s.fault
		}
	}
	return PrintContents{}, ErrNotFound
}

func printStories() []Story {
	site := printSite()
	bare := printSite()
	bare.schemes = nil
	empty := printSite()
	empty.contents.Rows, empty.contents.Loggers, empty.contents.Seal, empty.contents.Carriers = nil, nil, "", nil
	return []Story{
		{Name: "print", About: "what can be printed", Path: "/print"},
		{Name: "print-tubes", About: "the labels of a request", Path: "/print/tubes?request=R-7731", Demo: true, printed: site},
		{Name: "print-tubes-300", alike: "print-tubes", About: "typed numbers at 300 dots to the inch, of which nothing is known yet", Path: "/print/tubes?number=TB2601182&number=TB2601199&dpi=300", printed: site},
		{Name: "print-tubes-gs1", alike: "print-tubes", About: "numbers that stand in a GS1 element", Path: "/print/tubes?number=260114&size=60x30", printed: site},
		{Name: "print-tubes-empty", alike: "print-tubes-wrong", About: "the form before anything was asked", Path: "/print/tubes", printed: site},
		{Name: "print-tubes-wrong", About: "a number with a wrong digit, one without its ward, a label that is no size", Path: "/print/tubes?number=TB2601183&number=DT-001&size=50mm", printed: site},
		{Name: "print-tubes-narrow", alike: "print-tubes-wrong", About: "a label on which the bars don't fit", Path: "/print/tubes?number=TB2601182&size=30x25", printed: site},
		{Name: "print-carriers", About: "all boxes that are known", Path: "/print/carriers?known=all", printed: site},
		{Name: "print-carriers-gs1", alike: "print-carriers", About: "boxes with numbers of a world standard", Path: "/print/carriers?number=(00)106141412345678908&number=(8003)00614141008889B7", printed: site},
		{Name: "print-carriers-none", About: "nothing is declared", Path: "/print/carriers"},
		{Name: "print-hatches", About: "a hatch and what else is known", Path: "/print/hatches?number=HATCH-1&dpi=300", printed: site},
		{Name: "print-self-test", About: "what a printer of 203 dots to the inch can do", Path: "/print/self-test", printed: site},
		{Name: "print-self-test-600", alike: "print-self-test", About: "a fine printer has more labels to test", Path: "/print/self-test?dpi=600", printed: site},
		{Name: "print-manifest", About: "a box with tubes past, running out, unknown, and within", Path: "/print/manifest?carrier=B-3", Demo: true, printed: site},
		{Name: "print-manifest-empty", alike: "print-manifest", About: "nothing is in the box by the log", Path: "/print/manifest?carrier=B-3", printed: empty},
		{Name: "print-manifest-choose", About: "no box was said", Path: "/print/manifest", printed: site},
		{Name: "print-manifest-unknown", alike: "print-manifest-choose", About: "a box nobody ever scanned", Path: "/print/manifest?carrier=B-99", printed: site},
		{Name: "print-packing", About: "the checklist for a box on the ferry", Path: "/print/packing?carrier=B-3", printed: site},
		{Name: "print-downtime", About: "a ward's sheet with numbers of its own", Path: "/print/downtime?scheme=DT&from=DT-001&count=14&ward=north", printed: site},
		{Name: "print-downtime-labels", alike: "print-tubes", About: "the labels of that sheet", Path: "/print/downtime?scheme=DT&from=DT-001&count=4&ward=north&as=labels", printed: site},
		{Name: "print-downtime-empty", alike: "print-downtime-wrong", About: "no scheme is declared, nothing was asked", Path: "/print/downtime", printed: bare},
		{Name: "print-downtime-wrong", About: "the digits run out, and no ward was said", Path: "/print/downtime?scheme=DT&from=DT-990&count=40", printed: site},
	}
}

// storyKey is a key of a scheme; the labels of stories are sound.
func storyKey(scheme, text string) event.Key {
	key, err := event.MakeKey(scheme, text)
	if err != nil {
		panic(fmt.Sprintf("a key of a story: %v", err)) // a broken build
	}
	return key
}

func printSite() *storyPrint {
	test := func(code, name string, v event.Verdict, o event.Outlook, due int) PrintTest {
		t := PrintTest{Code: code, Name: name, Verdict: v, Outlook: o}
		if due != 0 {
			t.Due = Due{ahead(due), ahead(due + 20)}
		}
		return t
	}
	potassium := func(due int) PrintTest { return test("K", "potassium", event.WithinLimits, event.OutlookUnknown, due) }
	hidden := PrintTest{Code: "must not show", Name: "a name that must not show", Restricted: true, Verdict: event.WithinLimits}
	tube := func(key event.Key, kind string, tests ...PrintTest) PrintTube {
		return PrintTube{Key: key, Type: kind, Tests: tests}
	}
	first := tube(storyKey("TB", "TB2601182"), "LIHEP-GEL", potassium(200), test("CREA", "creatinine", event.WithinLimits, event.OutlookUnknown, 2000), test("TROP", "troponin", event.WithinLimits, event.OutlookUnknown, 400),
		test("LD", "lactate dehydrogenase", event.WithinLimits, event.OutlookUnknown, 300), test("ALT", "alanine transaminase", event.WithinLimits, event.OutlookUnknown, 900), test("CRP", "C-reactive protein", event.WithinLimits, event.OutlookUnknown, 900), test("BILI", "bilirubin", event.WithinLimits, event.OutlookUnknown, 900))
	second := tube(storyKey("TB", "TB2601199"), "CIT", test("PT", "prothrombin time", event.WithinLimits, event.RunningOut, 34), hidden)
	past := tube(storyKey("DT", "north/DT-004"), "FLOX", test("GLU", "glucose", event.PastLimit, event.OutlookUnknown, 0))
	alone := tube(storyKey("IN", "260114"), "CSF-PLAIN", test("PROT", "protein", event.CannotSay, event.OutlookUnknown, 0))
	alone.Irreplaceable = true
	nothing := tube(storyKey("TB", "TB2601205"), "")
	b3 := PrintCarrier{Key: storyKey(event.Local, "B-3"), Kind: "box", Owner: "harbour", Tubes: 5}
	return &storyPrint{
		schemes: []label.Scheme{
			{ID: "TB", Issuer: "mainland laboratory", Names: label.Tube, Pattern: "TB#{7}", Check: label.Mod10},
			{ID: "DT", Issuer: "wards, in downtime", Names: label.Tube, Pattern: "DT-###", Ward: true},
			{ID: "IN", Names: label.Tube, Pattern: "#{6}", In: []string{"91"}, Check: label.Mod10},
		},
		request: "R-7731", tubes: []PrintTube{first, second, alone},
		carriers: []PrintCarrier{b3, {Key: storyKey(event.Local, "G-2"), Kind: "bag", Tubes: 2}, {Key: storyKey("SSCC", "106141412345678908"), Kind: "box"}},
		places: []PrintPlace{
			{storyKey(event.Local, "HATCH-1"), "hatch at the south pier", "hatch", "Atlantic/Reykjavik"}, {storyKey(event.Local, "LAB"), "mainland laboratory", "reception", "Europe/Berlin"},
			{storyKey(event.Local, "FERRY"), "ferry, hold", "vehicle", ""},
		},
		contents: PrintContents{
			Seq: 4812, Now: storyNow, Zone: storyZone, ZoneName: "island time", Carrier: b3, Name: "box B-3", Holder: "oskar", Place: "south pier", To: "mainland laboratory", Due: Due{ahead(50), ahead(70)},
			Seal: "S-40117", Sealed: ago(20), Loggers: []string{"LG-1"}, Carriers: []string{"bag G-2"},
			Rows: []PrintRow{
				{PrintTube: first, TypeName: "lithium heparin with gel", In: "bag G-2"}, {PrintTube: second, TypeName: "citrate", In: "bag G-2", Flagged: true},
				{PrintTube: past, TypeName: "fluoride oxalate", Flagged: true}, {PrintTube: alone, TypeName: "spinal fluid, plain"}, {PrintTube: nothing},
			},
		},
	}
}
