package story_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

func TestActCheck(t *testing.T) {
	at := event.At(time.Date(2026, time.November, 24, 8, 0, 0, 0, time.UTC))
	scan := func(change func(*story.Scan)) story.Act {
		s := &story.Scan{ID: "s-1", Step: "pack", Label: "TB1", Kind: event.KindTube, Occurred: at, DeviceTime: at, Device: "H-1", Carrier: "B-1", By: "mira", Mode: event.Live}
		change(s)
		return story.Act{At: at, Scan: s}
	}
	reading := func(ats ...event.Instant) story.Act {
		a := story.Act{At: at, Logger: "LG-1"}
		for _, one := range ats {
			a.Readings = append(a.Readings, event.Reading{At: one, C: 2100, OK: true})
		}
		return a
	}
	for _, c := range []struct {
		name string
		act  story.Act
		want string // empty: may be told
	}{
		{"a scan", scan(func(*story.Scan) {}), ""},
		{"reported later", scan(func(s *story.Scan) { s.Mode, s.Occurred, s.DeviceTime = event.Reported, at-1_000, at-1_000 }), ""},
		{"a clock that is wrong", scan(func(s *story.Scan) { s.OffsetMs, s.DeviceTime = 5_000, at+5_000 }), ""},
		{"a declaration", story.Act{At: at, Declared: story.Person{ID: "mira"}}, ""},
		{"readings", reading(at-2, at-1), ""},
		{"nothing", story.Act{At: at}, "says nothing"},
		{"no instant", story.Act{Declared: story.Person{ID: "mira"}}, "no instant"},
		{"no verb", scan(func(s *story.Scan) { s.Step = "wrap" }), `"wrap" is no verb`},
		{"no scan id", scan(func(s *story.Scan) { s.ID = "" }), "has no id"},
		{"a live scan sent later", scan(func(s *story.Scan) { s.Occurred, s.DeviceTime = at-1_000, at-1_000 }), "is live and was sent later"},
		{"sent before it happened", scan(func(s *story.Scan) { s.Occurred, s.DeviceTime = at+1_000, at+1_000 }), "happened at"},
		{"an offset that isn't one", scan(func(s *story.Scan) { s.OffsetMs = 1 }), "not the true time and its offset"},
		{"no carrier", scan(func(s *story.Scan) { s.Carrier = "" }), "pack has no in="},
		{"a key of another verb", scan(func(s *story.Scan) { s.Details = map[string]string{"seal": "S-1"} }), "pack takes no seal="},
		{"a word outside its list", scan(func(s *story.Scan) { s.Step, s.Carrier, s.Details = "take", "", map[string]string{"mode": "balloon"} }), "mode=balloon"},
		{"no tube", scan(func(s *story.Scan) { s.Label = "" }), "pack has 0 ids; give at least 1"},
		{"no readings", reading(), "delivers no reading"},
		{"readings out of order", reading(at-1, at-2), "lies before"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.act.Check()
			switch {
			case c.want == "" && err != nil:
				t.Error(err)
			case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
}

// Every declaration of a story survives the way into a script and back.
func TestScriptDeclares(t *testing.T) {
	due := event.At(time.Date(2027, time.January, 31, 0, 0, 0, 0, time.UTC))
	band := event.Range{Low: -550, High: 2400, Known: true}
	declared := []story.Declared{
		story.Place{ID: "WARD-N", Kind: "ward", Zone: "Europe/Berlin", Assumed: band, BenchSpin: 20 * time.Minute, Owner: "lena", Basis: "a thermometer", Review: due},
		story.Place{ID: "LAB", Kind: "reception"},
		story.Person{ID: "mira", Role: "collector", Inactive: true},
		story.Device{ID: "H-1", Kind: "phone", Error: -90*time.Second - 5*time.Millisecond},
		story.Device{ID: "H-2", Kind: "desk", Error: 5 * time.Hour, Inactive: true},
		story.Carrier{ID: "B-1", Kind: "flask", OwnClimate: true, Assumed: band, Owner: "lena", Basis: "tried", Review: due},
		story.Logger{ID: "LG-1", Every: 5 * time.Minute, Hold: 0, MaxGap: 12 * time.Minute, In: "B-1", InKind: event.KindCarrier, Uncertainty: 30, Due: due, Zone: "UTC"},
		story.Route{ID: "RT-1", From: "WARD-N", To: "LAB", Zone: "UTC", Departs: []string{"08:05", "12:25"}, Takes: 95 * time.Minute},
		story.Request{ID: "R-1", Patient: "P-1", Tests: []string{"K", "CBC"}, Conditions: []string{"unfractionated-heparin=no"}, Priority: "urgent", To: "LAB", Irreplaceable: true,
			Tubes: []story.RequestTube{{ID: "TB1", Type: "LIHEP", Tests: []string{"K"}}, {ID: "TB2", Type: "EDTA", Tests: []string{"CBC"}}}},
	}
	at := due
	s, err := story.Script("all of them", "", func(yield func(story.Told) bool) {
		for _, d := range declared {
			if !yield(story.Told{Act: story.Act{At: at, Declared: d}, Remark: "one"}) {
				return
			}
		}
		// Without a step the story has no instant of its own.
		yield(story.Told{Act: story.Act{At: at, Scan: &story.Scan{ID: "s-1", Step: "see", Label: "TB1", Kind: event.KindTube, Occurred: at, Mode: event.Live}}})
	})
	if err != nil {
		t.Fatal(err)
	}
	f := &fake{}
	run(t, string(story.Format(s)), f)
	for _, want := range declared {
		if !slices.ContainsFunc(f.declared, func(got story.Declared) bool { return reflect.DeepEqual(got, want) }) {
			t.Errorf("%+v is not among\n%+v", want, f.declared)
		}
	}
	if len(f.declared) != len(declared) {
		t.Errorf("%d things are declared, want %d", len(f.declared), len(declared))
	}
}

func TestScriptRefusesWhatNoStorySays(t *testing.T) {
	for _, act := range []story.Act{
		{At: 1, Declared: story.Scheme{ID: "S-1"}},
		{At: 1, Scan: &story.Scan{ID: "s-1", Step: "wrap", Occurred: 1}},
	} {
		if _, err := story.Script("x", "", func(yield func(story.Told) bool) { yield(story.Told{Act: act}) }); err == nil {
			t.Errorf("%+v was written", act)
		}
	}
}
