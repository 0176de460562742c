package story_test

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

// fake notes what it is asked, in order, and answers as scripted.
type fake struct {
	log      []string
	declared []story.Declared
	scans    []story.Scan
	answers  map[string]story.Answer // by scan label or patient
	tubes    map[string]story.TubeView
	things   map[string]story.ThingView
	fail     string // verb whose scan can't be done
}

func (f *fake) note(format string, args ...any) error {
	f.log = append(f.log, fmt.Sprintf(format, args...))
	return nil
}

func clock(at event.Instant) string { return at.Time().Format("15:04:05") }

func (f *fake) Declare(d story.Declared) error {
	f.declared = append(f.declared, d)
	return f.note("declare %T %s", d, reflect.ValueOf(d).FieldByName("ID"))
}
func (f *fake) Clock(now event.Instant) error { return f.note("clock %s", clock(now)) }
func (f *fake) Scan(s story.Scan) (story.Answer, error) {
	if s.Step == f.fail {
		return story.Answer{}, errors.New("400: type: unknown code")
	}
	f.scans = append(f.scans, s)
	a, ok := f.answers[s.Label+s.Patient]
	if !ok {
		a = story.Answer{Answer: event.AnswerRecorded}
	}
	return a, f.note("%s %s%s %s", s.Step, s.Label, s.Patient, s.Mode)
}
func (f *fake) Readings(logger string, rs []event.Reading, late bool) error {
	return f.note("readings %s %d from %s late=%t", logger, len(rs), clock(rs[0].At), late)
}
func (f *fake) Import(file story.ImportFile) (event.Answer, error) {
	return event.AnswerRecorded, f.note("import %s %s", file.Name, file.Data)
}
func (f *fake) Adopt(file string, data []byte, at event.Instant, flight bool, by string) error {
	return f.note("adopt %s %s %s %t %s", file, data, at, flight, by)
}
func (f *fake) Restart() error { return f.note("restart") }
func (f *fake) Tube(id string, at event.Instant) (story.TubeView, error) {
	return f.tubes[id], f.note("tube %s %s", id, clock(at))
}
func (f *fake) Thing(kind event.Kind, id string, at event.Instant) (story.ThingView, error) {
	return f.things[id], f.note("%s %s %s", kind, id, clock(at))
}
func (f *fake) Count(fact string) (int, error) { return 3, f.note("count %s", fact) }

func files(name string) ([]byte, error) { return []byte("<" + name + ">"), nil }

func run(t *testing.T, text string, f *fake) story.Result {
	t.Helper()
	res, err := story.Run(parse(t, text), f, files)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// The story of the contracts: the late take runs last, its expectations where they belong.
func TestOrderOfARun(t *testing.T) {
	f := &fake{answers: map[string]story.Answer{"TB2": {Answer: event.AnswerRefused, Refusal: event.RefuseIdentityMismatch}}}
	res := run(t, `story "order"
rules r.yaml
day 2026-11-24
place WARD assumed=20..24C
device H-07 error=+5h
logger LG-1 every=5m in=B-3
09:10Z take B-3 from=mira by=oskar on=H-07 sent=10:25Z
expect answer recorded
08:05Z collect TB2 by=mira at=WARD on=H-09
expect answer refused identity-mismatch
08:00Z reading LG-1 08:00Z..08:12Z c=21.0
08:00Z collect TB1 by=mira at=WARD
08:05Z expect TB1 holder mira
08:01Z restart
`, f)
	want := strings.Split(`clock 07:59:00
adopt r.yaml <r.yaml> 2025-11-24T07:59:00.000Z false 
declare story.Place WARD
declare story.Device H-07
declare story.Carrier B-3
declare story.Logger LG-1
clock 08:00:00
readings LG-1 1 from 08:00:00 late=false
declare story.Person mira
collect TB1 live
clock 08:01:00
restart
clock 08:05:00
declare story.Device H-09
collect TB2 live
readings LG-1 1 from 08:05:00 late=false
tube TB1 08:05:00
clock 08:10:00
readings LG-1 1 from 08:10:00 late=false
clock 08:12:00
readings LG-1 1 from 08:12:00 late=false
clock 10:25:00
declare story.Person oskar
take B-3 reported`, "\n")
	if !slices.Equal(f.log, want) {
		t.Errorf("ran\n%s\nwant\n%s", strings.Join(f.log, "\n"), strings.Join(want, "\n"))
	}
	if res.Passed != 2 || len(res.Failures) != 1 || res.Failures[0].Line != 13 {
		t.Errorf("result %+v", res)
	}
	take := f.scans[len(f.scans)-1]
	if take.DeviceTime.Sub(take.Occurred) != 5*time.Hour || take.OffsetMs != (5*time.Hour).Milliseconds() || take.From != "mira" {
		t.Errorf("take %+v", take)
	}
}

func TestUntimedExpectationsStandBehindTheLineAbove(t *testing.T) {
	s := parse(t, `day 2026-11-24
expect T holder nobody
08:00Z reading A 08:00Z..09:00Z c=20
expect T holder a
08:20Z reading B 08:20Z..08:40Z c=20
expect T holder b
08:50Z see T
expect T holder c
08:55Z expect T holder d
expect T holder e
08:30Z see T sent=09:30Z
expect T holder f
`)
	var got []string
	for _, m := range s.Timeline() {
		switch {
		case m.Check != nil:
			got = append(got, m.Check.Want)
		case m.First:
			got = append(got, m.Step.Verb+clock(m.At))
		}
	}
	want := []string{"nobody", "reading08:00:00", "a", "reading08:20:00", "b", "see08:50:00", "c", "d", "e", "see09:30:00", "f"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v\nwant %v", got, want)
	}
}

func TestSeries(t *testing.T) {
	s := parse(t, "day 2026-11-24\nlogger L every=10m\n08:00Z reading L 08:00Z..08:25Z c=fault\n08:30Z reading L 08:00Z..+10m c=2 sent=09:00Z\n")
	moments := s.Timeline()
	var got []string
	for _, m := range moments {
		got = append(got, fmt.Sprint(clock(m.At), len(m.Readings), m.Readings[0].OK, m.Readings[0].Raw))
	}
	want := []string{"08:00:001falsefault", "08:10:001falsefault", "08:20:001falsefault", "08:25:001falsefault", "09:00:002true2"}
	for i := range got {
		got[i] = strings.ReplaceAll(got[i], " ", "")
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
}

// Invented fixture: a tube whose view matches or misses each key.
func TestExpectations(t *testing.T) {
	at := utc(t, "2026-11-24T08:00:00Z")
	view := story.TubeView{
		ThingView: story.ThingView{Known: true, Holder: "oskar", From: "mira", Link: "by-box", Links: []string{"T2"}, Place: "VAN",
			Doubts: []event.Doubt{event.DoubtLate}, Facts: map[string]int{"Collected": 1}},
		Verdict: event.PastLimit,
		Tests: []story.TestView{
			{Assay: "K", Verdict: event.WithinLimits, Outlook: event.InTime, UsedMs: 95 * 60_000, LimitMs: 240 * 60_000,
				ByMs: map[event.Evidence]int64{event.EvidenceUnknown: 70 * 60_000}, CountsFrom: "draw", Since: at},
			{Assay: "GLU", Verdict: event.PastLimit, Outlook: event.OutlookUnknown, Reasons: []event.Reason{event.ReasonTime, event.ReasonHeat},
				Direction: event.ReadsLow, UsedMs: 95*60_000 + 500, Rule: "r1", Until: at},
		},
		Flag: &story.FlagView{Kind: event.FlagBefore, Action: event.SpinButHold, Reasons: []event.Reason{event.ReasonTime}},
		Rack: story.RackView{Answer: event.RackSpinHold, Tests: []string{"GLU"}},
	}
	f := func() *fake {
		return &fake{tubes: map[string]story.TubeView{"T": view}, things: map[string]story.ThingView{"B": {Known: true, Holder: "oskar", Holds: 2}}}
	}
	for _, c := range []struct{ check, found string }{
		{"T/K within-limits used=1h35m limit=4h unknown=70m measured=0m from=draw reason=none", ""},
		{"T/K within-limits from=08:00Z", ""},
		{"T/K in-time", ""},
		{"T unknown", ""},
		{"T past-limit reason=time,heat direction=low rule=r1 action=spin-but-hold kind=before at=08:00Z", ""},
		{"T/GLU past-limit used=95m500ms", ""},
		{"T flag spin-but-hold kind=before reason=time", ""},
		{"T rack spin-hold tests=GLU irreplaceable=no", ""},
		{"T holder oskar from=mira link=by-box at=VAN", ""},
		{"T doubt late", ""},
		{"T holder oskar link=T2", ""},
		{"T holder oskar link=T3", "link=T2"},
		{"T facts Collected=1", ""},
		{"carrier B holds 2", ""},
		{"B holder oskar", ""},
		{"count Collected=3", ""},
		{"X flag none", ""},
		{"X facts Collected=0", ""},
		{"X doubt none", ""},
		{"T/K past-limit used=90m", "within-limits reason=none used=95m"},
		{"T/GLU past-limit reason=time", "reason=time,heat"},
		{"T/GLU past-limit used=95m", "used=95m500ms"},
		{"T/NA within-limits", "no test NA on T"},
		{"T flag none", "flag spin-but-hold"},
		{"X flag hurry", "flag none"},
		{"X within-limits", "a tube nobody knows"},
		{"T rack spin tests=K", "rack spin-hold tests=GLU"},
		{"T doubt none", "doubt late"},
		{"T doubt missing", "doubt late"},
		{"T holder mira replaced-by=Y", "holder oskar replaced-by=none"},
		{"B doubt late", "doubt none"},
		{"B rack spin", "a carrier, which has no rack"},
		{"count Collected=2", "Collected=3"},
		{"carrier B holds 3", "holds 2"},
		{"answer repeated", "answer recorded"},
		{"answer refused held", "answer recorded"},
	} {
		res := run(t, "day 2026-11-24\n08:00Z pack T in=B\nexpect "+c.check, f())
		found := ""
		if len(res.Failures) > 0 {
			found = res.Failures[0].Found
		}
		if found != c.found || res.Passed+len(res.Failures) != 1 {
			t.Errorf("expect %s found %q, want %q", c.check, found, c.found)
		}
	}
}

func TestReport(t *testing.T) {
	res := run(t, "day 2026-11-24\n08:00Z see T\nexpect answer repeated\nexpect answer recorded\n", &fake{})
	want := "t.story:3: expected answer repeated, found answer recorded\n1 passed, 1 failed\n"
	if got := story.Report(res); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestAnErrorNamesItsLine(t *testing.T) {
	_, err := story.Run(parse(t, "day 2026-11-24\n08:00Z see T\n08:01Z collect T type=NOPE\n"), &fake{fail: "collect"}, files)
	if err == nil || !strings.HasPrefix(err.Error(), "t.story:3: 400") {
		t.Errorf("got %v", err)
	}
}

func TestRequestsGatherTheirTubes(t *testing.T) {
	f := &fake{}
	run(t, `day 2026-11-24
request R patient=P tube=A,B type=EDTA,CITRATE tests=CBC condition=transfused=no irreplaceable=yes
tube C request=R type=SERUM tests=NA
tube D type=EDTA
`, f)
	want := []story.Declared{
		story.Request{ID: "R", Patient: "P", Tests: []string{"CBC", "NA"}, Conditions: []string{"transfused=no"}, Irreplaceable: true,
			Tubes: []story.RequestTube{{ID: "A", Type: "EDTA", Tests: []string{"CBC"}}, {ID: "B", Type: "CITRATE", Tests: []string{"CBC"}}, {ID: "C", Type: "SERUM", Tests: []string{"NA"}}}},
		story.Tube{ID: "D", Type: "EDTA"},
	}
	if !reflect.DeepEqual(f.declared, want) {
		t.Errorf("got %+v", f.declared)
	}
}

func TestScans(t *testing.T) {
	f := &fake{}
	run(t, `day 2026-03-29
zone Europe/Berlin
device H error=-90s
09:00Z wristband P-1 on=H draw=D-1
09:01Z collect A B on=H typed=02:30 tests=K volume=500 id=e-1 mono=77
09:01Z collect A B on=H typed=02:30 tests=K volume=500 id=e-1 mono=77 sent=09:30Z
09:02Z refer A to=FAR due=12:00Z by=lena
09:03Z attest A 09:00Z..09:02Z handling=on-ice by=lena
09:04Z store A in=FRIDGE
09:05Z void e-1 tube=A reason=wrong
`, f)
	got := map[string]story.Scan{}
	for _, s := range f.scans {
		got[s.Step+s.Label+string(s.Mode)] = s
	}
	if s := got["wristbandlive"]; s.Patient != "P-1" || s.Draw != "D-1" || s.DeviceSeq != 1 || s.OffsetMs != -90_000 {
		t.Errorf("wristband %+v", s)
	}
	one, two := got["collectAlive"], got["collectAreported"]
	if one.TypedAt != "2026-03-29T02:30" || one.Details["volume"] != "500" || one.ID != "e-1" || one.DeviceSeq != two.DeviceSeq || one.MonotonicMs != 77 {
		t.Errorf("collect %+v, again %+v", one, two)
	}
	if s := got["referAlive"]; s.To != "FAR" || s.Details["due"] != "2026-03-29T12:00:00.000Z" {
		t.Errorf("refer %+v", s)
	}
	if s := got["attestAlive"]; s.Details["handling"] != "on-ice" || s.Details["until"] != "2026-03-29T09:02:00.000Z" {
		t.Errorf("attest %+v", s)
	}
	if s := got["storeAlive"]; s.Details["in"] != "FRIDGE" || s.Details["in-kind"] != "place" {
		t.Errorf("store %+v", s)
	}
	if s := got["voidAlive"]; s.Details["scan"] != "e-1" || s.Reason != "wrong" {
		t.Errorf("void %+v", s)
	}
}

// Laws of the timeline: time never goes back, steps of one instant keep the
// order of their lines, timed expectations follow all arrivals of their instant,
// and nothing is lost or doubled.
func TestTimelineLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		b.WriteString("day 2026-11-24\n")
		n := rapid.IntRange(1, 12).Draw(t, "lines")
		for i := range n {
			m := rapid.IntRange(0, 20).Draw(t, "minute")
			switch rapid.IntRange(0, 4).Draw(t, "kind") {
			case 0:
				fmt.Fprintf(&b, "08:%02dZ see T\n", m)
			case 1:
				fmt.Fprintf(&b, "08:%02dZ see T sent=08:%02dZ\n", m, m+rapid.IntRange(0, 20).Draw(t, "delay"))
			case 2:
				fmt.Fprintf(&b, "08:%02dZ reading L%d 08:%02dZ..+%dm c=20\n", m, i, m, rapid.IntRange(0, 20).Draw(t, "length"))
			case 3:
				fmt.Fprintf(&b, "08:%02dZ expect T holder mira\n", m)
			default:
				b.WriteString("expect T holder mira\n")
			}
		}
		s, err := story.Parse("r.story", []byte(b.String()), time.LoadLocation)
		if err != nil {
			t.Fatal(err)
		}
		var last story.Moment
		checks, first := 0, map[int]bool{}
		for _, m := range s.Timeline() {
			if m.At < last.At {
				t.Fatalf("time goes back at line %d:\n%s", m.Line, b.String())
			}
			if m.Check != nil {
				checks++
			} else {
				if m.First == first[m.Line] {
					t.Fatalf("line %d begins twice or never:\n%s", m.Line, b.String())
				}
				first[m.Line] = true
			}
			timed := m.Check != nil && m.Check.When != ""
			if last.Check == nil && m.Check == nil && last.At == m.At && last.Line > m.Line {
				t.Fatalf("line %d runs before line %d:\n%s", last.Line, m.Line, b.String())
			}
			if last.Check != nil && last.Check.When != "" && m.Check == nil && m.At == last.At {
				t.Fatalf("line %d arrives after an expectation of its instant:\n%s", m.Line, b.String())
			}
			if timed && m.At != m.Check.At {
				t.Fatalf("the expectation of line %d stands at another time:\n%s", m.Line, b.String())
			}
			last = m
		}
		if checks != len(s.Checks) || len(first) != len(s.Steps) {
			t.Fatalf("%d of %d expectations, %d of %d steps:\n%s", checks, len(s.Checks), len(first), len(s.Steps), b.String())
		}
	})
}
