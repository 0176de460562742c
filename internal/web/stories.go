package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
	"specimen.example/custody/internal/label"
)

// Story is a named state of a page with invented data. Tests render each; the
// gallery serves them so that people can look.
type Story struct {
	Name  string // also the path the gallery mounts it under
	About string // what to look for
	Path  string // the page
	Demo  bool

	wall  func() WallPage
	hatch func() HatchPage // nil asks which desk it is
	tube  func() TubePage
	// report is the custody report at Path; its kind follows from the address.
	report func() Report
	// spins is the rack page; without one no place is declared.
	spins func() RackPage
	// limits is the page of limits; without one nothing is adopted.
	limits func() LimitsPage
	// form is sent to Path in place of asking for it: the state follows a form.
	form  url.Values
	fault error
	docs  []byte
	// printed is what labels and lists say; nil is a site that has nothing yet.
	printed *storyPrint
	// house is how the house is set up; nil is one in which nothing is declared.
	house *storyHouse
	// shown is the page itself, with its code, where a gate would stand before it.
	shown page
	code  int
	// as is who looks; nil where nobody is asked to sign in.
	as *auth.Principal
	// back are the flags of the last weeks; nil is none.
	back func() []flags.Episode
	// alike names a story with the same elements, which is checked for accessibility.
	alike string
}

// Handler serves the story's page below base, with a source that never changes.
func (s Story) Handler(base string) http.Handler {
	return s.with(Options{
		Base: base, Demo: s.Demo, OpenAPI: s.docs,
		Now: func() time.Time { return storyNow.Time() },
	})
}

func (s Story) with(o Options) http.Handler {
	front := newServer(s, o)
	front.site.Who, front.site.Here = s.as, o.Base+s.Path
	all := front.headers(front.routes().mux)
	if s.shown == nil {
		return s.sending(all)
	}
	one := front.headers(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { front.send(w, r, max(s.code, http.StatusOK), s.shown) }))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == s.Path {
			one.ServeHTTP(w, r)
			return
		}
		all.ServeHTTP(w, r)
	})
}

// sending turns the question for a story's page into the form that leads there.
func (s Story) sending(next http.Handler) http.Handler {
	if s.form == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet && r.URL.Path == s.Path {
			r = r.Clone(r.Context())
			r.Method = http.MethodPost
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Body = io.NopCloser(strings.NewReader(s.form.Encode()))
		}
		next.ServeHTTP(w, r)
	})
}

// Wall is part of Source.
func (s Story) Wall(context.Context) (WallPage, error) {
	if s.wall == nil {
		return WallPage{}, ErrNotReady
	}
	return s.wall(), s.fault
}

// Tube is part of Source.
func (s Story) Tube(context.Context, string) (TubePage, error) {
	if s.tube == nil {
		return TubePage{}, ErrNotFound
	}
	return s.tube(), s.fault
}

// Schemes is part of Source.
func (s Story) Schemes() *label.Schemes {
	if s.printed != nil {
		return compiled(s.printed.schemes)
	}
	return storySchemes
}

// ReadLabel is part of Source.
func (s Story) ReadLabel(in label.Input) (LabelNamed, error) {
	r, err := s.Schemes().Read(in)
	return LabelNamed{Reading: r, ID: r.Key.Label()}, err
}

// storySchemes are those of an invented site: tubes TB and six digits, wristbands PT
// and six digits.
var storySchemes = compiled([]label.Scheme{
	{ID: "TB", Issuer: "the laboratory", Names: label.Tube, Pattern: "TB######", In: []string{label.Plain, "91"}},
	{ID: "PT", Issuer: "the island clinics", Names: label.Patient, Pattern: "PT######"},
})

// compiled compiles schemes that are sound: TestStories goes through all of them.
func compiled(list []label.Scheme) *label.Schemes {
	s, err := label.Compile(list)
	if err != nil {
		panic(fmt.Sprintf("schemes of a story: %v", err))
	}
	return s
}

// Limits is part of Source.
func (s Story) Limits(context.Context) (LimitsPage, error) {
	if s.limits == nil {
		return limitsNone(), nil
	}
	return s.limits(), s.fault
}

// AdoptLimits is part of Source: a story stays as it is.
func (s Story) AdoptLimits(context.Context, LimitsAdoption) (LimitsAdopted, error) {
	return LimitsAdopted{}, ErrNotSaved
}

// Watch is part of Source: nothing ever happens.
func (s Story) Watch(ctx context.Context, _ uint64) (<-chan Change, error) {
	never := make(chan Change)
	go func() {
		<-ctx.Done()
		close(never)
	}()
	return never, nil
}

// The instant and the zone of all stories; invented, like all their data.
var (
	storyNow  = event.At(time.Date(2026, 11, 24, 9, 6, 0, 0, time.UTC))
	storyZone = time.FixedZone("island time", 3600)
)

// ago and ahead give instants by their distance from now in minutes.
func ago(minutes int) event.Instant {
	return storyNow.Add(-time.Duration(minutes) * time.Minute)
}

func ahead(minutes int) event.Instant { return ago(-minutes) }

const minuteMs = int64(60_000)

// Stories lists every named state, walls first.
func Stories() []Story {
	return append([]Story{
		{Name: "wall-empty", About: "nothing is up, nothing is on the way", Path: "/wall", wall: wallEmpty},
		{Name: "wall-busy", About: "one flag of each kind, a late box, boxes on the way", Path: "/wall", Demo: true, wall: wallBusy},
		{Name: "wall-flood", About: "thirty flags of few causes in ten minutes", Path: "/wall", wall: wallFlood},
		{Name: "wall-stale", About: "the server itself is behind", Path: "/wall", wall: wallStale},
		{Name: "wall-not-ready", About: "the log is still being read", Path: "/wall"},
		{Name: "tube-within", About: "measured all the way, time left; another source is stricter, a share of tubes will be over", Path: "/tubes/TB260301", tube: tubeWithin},
		{Name: "tube-past", About: "too warm for one test, another is running out, a restricted one waits", Path: "/tubes/TB260310", Demo: true, tube: tubePast},
		{Name: "tube-decided", About: "accepted with a deviation, a new sample asked, other tubes of the draw, the flag's story, corrections", Path: "/tubes/TB260310", tube: tubeDecided},
		{Name: "tube-unknown-temperature", About: "the logger died and nobody declared a range", Path: "/tubes/TB260322", tube: tubeUnknown},
		{Name: "tube-stored", About: "spun and stored: sources disagree on what was settled, one limit was never chosen, no code for the material", Path: "/tubes/TB260287", tube: tubeStored},
		{Name: "tube-long-history", About: "ten days in the store, thousands of readings, steps taken back, a whole code", Path: "/tubes/TB260112", tube: tubeLong},
		{Name: "tube-bare", About: "a number and nothing else", Path: "/tubes/TB260399", tube: tubeBare},
		{Name: "tube-not-found", About: "a number nobody ever scanned", Path: "/tubes/TB26O3O1"},
		{Name: "start", About: "the first page", Path: "/"},
		{Name: "start-missing", About: "the form was sent empty", Path: "/tubes?number="},
		{Name: "camera", About: "the camera before it is opened", Path: "/camera"},
		{Name: "readers", About: "before anything was scanned", Path: "/readers"},
		{Name: "bedside", About: "the phone's shell, without a server behind it", Path: "/bedside", Demo: true},
		{Name: "road", About: "the same for the way to the laboratory", Path: "/road", alike: "bedside"},
		{Name: "docs", About: "the description of the API", Path: "/docs", docs: []byte(storyDocs)},
		{Name: "docs-none", About: "built without a description", Path: "/docs"},
		{Name: "no-such-page", About: "an address that is no page", Path: "/cupboard"},
		{Name: "broken", About: "the model could not be read", Path: "/tubes/TB260301", tube: tubeWithin, fault: fmt.Errorf("the model has stopped")},
	}, slices.Concat(hatchStories(), lookBackStories(), reportStories(), rackStories(), limitsStories(), printStories(), houseStories(), signInStories())...)
}

func wallEmpty() WallPage {
	return WallPage{Seq: 12, Now: storyNow, Zone: storyZone, Place: "mainland laboratory"}
}

func wallStale() WallPage {
	p := wallBusy()
	p.NotLive = "The program reads the log again since 10:02."
	return p
}

const (
	gelPotassium = "6 h at 18 to 25 °C, unspun"
	starterSet   = "starter set, studied, structured summary 2018"
)

func wallBusy() WallPage {
	return WallPage{
		Seq: 4812, Now: storyNow, Zone: storyZone, Place: "mainland laboratory", PutAside: 1,
		Flags: []FlagRow{
			{
				Tube: "DEMO-0004", Episode: 1, Kind: event.FlagBefore, Verdict: event.PastLimit, Outlook: event.OutlookUnknown,
				Action: event.SpinButHold, ActionNote: "glucose", Holder: "reception", Place: "reception", Since: ago(12), TakenBy: "lena", TakenAt: ago(4),
				Tests: []FlagTestRow{{
					Name: "glucose", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonTime}, Direction: event.ReadsLow,
					Limit: "60 min at 18 to 25 °C, unspun", Source: "laboratory policy 2026",
				}},
			},
			{
				Tube: "DEMO-0009", Episode: 2, Kind: event.FlagBefore, Verdict: event.WithinLimits, Outlook: event.RunningOut,
				Action: event.LoadNow, Box: "box B-7", Holder: "oskar", Place: "harbour", Since: ago(3), By: ahead(34),
				Tests: []FlagTestRow{
					{
						Name: "potassium", Verdict: event.WithinLimits, Outlook: event.RunningOut, Reasons: []event.Reason{event.ReasonEightyPercent, event.ReasonTimetable},
						Direction: event.ReadsHigh, Limit: gelPotassium, Source: starterSet,
					},
					{Name: "a name that must not show", Restricted: true, Verdict: event.WithinLimits, Outlook: event.RunningOut, Reasons: []event.Reason{event.ReasonTimetable}},
				},
			},
			{
				Tube: "DEMO-0011", Episode: 1, Kind: event.FlagBefore, Verdict: event.NotStudiedBeyond, Outlook: event.OutlookUnknown,
				Action: event.AskLaboratory, Holder: "van 2", Place: "north road", Box: "box B-3", Since: ago(0), Irreplaceable: true,
				Tests: []FlagTestRow{{
					Name: "factor VIII", Verdict: event.NotStudiedBeyond, Reasons: []event.Reason{event.ReasonTime}, Direction: event.ReadsLow,
					Limit: "4 h at 18 to 25 °C, not tested beyond", Source: "starter set, studied, structured summary",
				}},
			},
			{
				Tube: "DEMO-0015", Episode: 1, Kind: event.FlagBefore, Verdict: event.CannotSay, Outlook: event.OutlookUnknown,
				Action: event.LookAtTube, Holder: "reception", Place: "reception", Since: ago(40),
				Tests: []FlagTestRow{{Name: "potassium", Verdict: event.CannotSay, Reasons: []event.Reason{event.ReasonNoCollectionTime}}},
			},
		},
		Late: []LateRow{{ID: "B-5", Name: "box B-5", Tubes: 9, Holder: "ferry", Place: "south pier", Seen: ago(95), Due: ago(21)}},
		Boxes: []BoxRow{
			{
				ID: "B-7", Name: "box B-7", Tubes: 12, Flags: 1, Holder: "oskar", Mode: "van", Place: "harbour", To: "mainland laboratory", Seen: ago(8),
				Due: Due{ahead(25), ahead(40)}, Temp: Temp{At: ago(2), C: 2140, Evidence: event.EvidenceMeasured},
			},
			{ID: "B-3", Name: "box B-3", Tubes: 1, Flags: 1, Holder: "van 2", Mode: "van", Place: "north road", To: "mainland laboratory", Seen: ago(31), Due: Due{ahead(70), ahead(70)}},
			{ID: "G-2", Name: "bag G-2", Tubes: 4, Holder: "mira", Mode: "walk", Place: "ward north", To: "hatch 1", Seen: ago(1)},
		},
	}
}

// wallFlood has thirty flags: two boxes with one cause each, and four strays.
func wallFlood() WallPage {
	p := wallBusy()
	p.Boxes[0].Tubes, p.Boxes[0].Flags = 16, 14
	for i := range 26 {
		f := FlagRow{
			Tube: fmt.Sprintf("TB2604%02d", i), Episode: 1, Kind: event.FlagBefore, Verdict: event.PastLimit, Outlook: event.OutlookUnknown,
			Action: event.AskNewSample, Box: "box B-7", Holder: "oskar", Place: "harbour", Since: ago(i % 9),
			Cause: event.Cause{Kind: event.CauseBox, Name: "B-7"}, CauseName: "box B-7",
			Tests: []FlagTestRow{{
				Name: "potassium", Verdict: event.PastLimit, Reasons: []event.Reason{event.ReasonHeat}, Direction: event.ReadsLow,
				Limit: "30 min above 25 °C", Source: starterSet,
			}},
		}
		if i%2 == 1 {
			f.Verdict, f.Outlook, f.Action, f.Box, f.Holder, f.Place = event.WithinLimits, event.RunningOut, event.Hurry, "box B-5", "ferry", "south pier"
			f.By = ahead(20 + i)
			f.Cause, f.CauseName = event.Cause{Kind: event.CauseRoute, Name: "CROSSING"}, "the crossing"
			f.Tests[0].Verdict, f.Tests[0].Outlook, f.Tests[0].Reasons = event.WithinLimits, event.RunningOut, []event.Reason{event.ReasonLikelyLate}
			f.Tests[0].Direction, f.Tests[0].Limit = event.ReadsHigh, gelPotassium
		}
		p.Flags = append(p.Flags, f)
	}
	return p
}

const storyDocs = `{
 "swagger": "2.0",
 "info": {"title": "custody", "description": "Instants are RFC 3339 text\nwith an offset."},
 "tags": [{"name": "Tubes", "description": "Tubes tells what is known of tubes."}],
 "paths": {"/v1/tubes/{id}": {"get": {
  "summary": "GetTube gives state, holder and verdicts.", "operationId": "Tubes_GetTube", "tags": ["Tubes"],
  "parameters": [{"name": "id", "in": "path", "required": true, "type": "string"},
   {"name": "asOf", "description": "Instant to look from.", "in": "query", "required": false, "type": "string"}],
  "responses": {"200": {"description": "A successful response.", "schema": {"$ref": "#/definitions/v1Tube"}}}}}},
 "definitions": {
  "v1Tube": {"type": "object", "description": "Tube is one labelled container.", "properties": {
   "id": {"type": "string", "description": "Id as on the label."},
   "seq": {"type": "string", "format": "uint64"},
   "steps": {"type": "array", "items": {"$ref": "#/definitions/v1Step"}}}},
  "v1Step": {"type": "object", "properties": {"step": {"type": "string"}}}}
}`
