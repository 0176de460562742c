package custody

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

var (
	lawTubes    = []event.Key{"L-T1", "L-T2", "L-T3"}
	lawCarriers = []event.Key{"L-B1", "L-B2"}
	lawPlaces   = []string{"", "WARD", "LAB"}
	lawPeople   = []string{"mira", "oskar", "lena"}
	lawPatients = []string{"P-1", "P-2", "P-3"} // spelled as keys are, so that facts and aggregates meet
)

const lawStart = event.Instant(1_795_000_000_000) // an instant of November 2026

// genFact draws facts of any kind for any aggregate: the fold is total.
func genFact(t *rapid.T) event.Fact {
	k := func(from []event.Key) event.Key { return rapid.SampledFrom(from).Draw(t, "key") }
	who := rapid.SampledFrom(append([]string{""}, lawPeople...)).Draw(t, "who")
	id := fmt.Sprintf("id-%d", rapid.IntRange(0, 12).Draw(t, "id"))
	episode := int64(rapid.IntRange(0, 2).Draw(t, "episode"))
	typ := rapid.SampledFrom([]string{"", "EDTA", "SERUM"}).Draw(t, "type")
	patient, someone := rapid.SampledFrom(append([]string{""}, lawPatients...)).Draw(t, "patient"), rapid.SampledFrom(lawPatients).Draw(t, "someone")
	return rapid.SampledFrom([]event.Fact{
		event.Collected{Type: typ, Draw: "L-D1", Patient: patient},
		event.TubePrepared{Type: typ, Patient: someone, Request: "L-R1", Tests: []string{"K"}},
		event.IdentityMerged{Into: someone, Reason: "one-person"}, event.IdentityMerged{Into: someone, Reason: "one-person"},
		event.IdentityWritten{Fields: []string{"family"}}, event.IdentityErased{Reason: "patient-asked"},
		event.Reidentified{Patient: someone}, event.CollectionFailed{Patient: patient},
		event.Packed{Carrier: k(lawCarriers)}, event.Packed{Carrier: k(lawCarriers)}, event.Unpacked{},
		event.Released{To: who}, event.TakenOver{From: who}, event.TakenOver{}, event.Seen{}, event.Received{Type: typ},
		event.AcceptedForTesting{}, event.HandlingAttested{Handling: "on-ice"}, event.SpinStarted{}, event.SpinEnded{},
		event.Stored{Place: "LAB"}, event.Disposed{}, event.DerivedFrom{Parent: k(lawTubes), Type: typ}, event.SameMaterialAs{Tube: k(lawTubes)},
		event.SplitInto{Tubes: lawTubes}, event.Departed{}, event.Arrived{}, event.Emptied{}, event.Sealed{Seal: typ}, event.SealBroken{Seal: typ},
		event.Voided{Scan: id}, event.Voided{Scan: id}, event.DoubtRaised{ID: id, Doubt: string(event.DoubtLate)}, event.DoubtClosed{ID: id, By: "person"},
		event.FlagRaised{Flag: event.Flag{Episode: episode}}, event.FlagOverridden{Episode: episode}, event.FlagCleared{Episode: episode},
		event.RequestPlaced{Patient: someone, Tests: []string{"CBC"}}, event.TestAdded{Test: "GLU"}, event.TestWithdrawn{Test: "GLU"},
		event.TubeAssigned{Tube: k(lawTubes), Type: typ, Tests: []string{"K"}}, event.DrawStarted{Patient: someone}, event.DrawStarted{Meant: someone}, event.DrawEnded{},
		event.RecollectionAsked{Tubes: lawTubes[:1]}, event.LoggerAttached{To: k(lawCarriers), ToKind: "carrier"}, event.LoggerDetached{},
		event.ClockMeasured{OffsetMs: 130_000}, event.PlaceDescribed{PlaceKind: "vehicle", BenchSpinMin: 20}, event.CarrierDescribed{CarrierKind: "box"},
		event.CarrierDescribed{CarrierKind: "rack"}, event.PersonDescribed{Active: true},
		event.RulesAdopted{Hash: id},
	}).Draw(t, "fact")
}

var lawTargets = []Target{
	{event.KindTube, "L-T1"}, {event.KindTube, "L-T2"}, {event.KindTube, "L-T3"}, {event.KindTube, "L-T1"}, {event.KindTube, "L-T2"},
	{event.KindCarrier, "L-B1"}, {event.KindCarrier, "L-B2"}, {event.KindCarrier, "L-B1"}, {event.KindRequest, "L-R1"}, {event.KindDraw, "L-D1"},
	{event.KindLogger, "L-LG"}, {event.KindPerson, "L-OSKAR"}, {event.KindPlace, "L-LAB"}, {event.KindDevice, "L-H"}, {event.KindRules, "L-S"},
	{event.KindPatient, "L-P-1"}, {event.KindPatient, "L-P-2"}, {event.KindPatient, "L-P-3"},
}

func genRecords(t *rapid.T) []*event.Record {
	n := rapid.IntRange(1, 40).Draw(t, "records")
	recs := make([]*event.Record, n)
	for i := range recs {
		on := rapid.SampledFrom(lawTargets).Draw(t, "target")
		facts := []event.Fact{genFact(t)}
		if rapid.IntRange(0, 4).Draw(t, "two") == 0 {
			facts = append(facts, genFact(t))
		}
		how := rapid.SampledFrom([]string{"camera", "paper"}).Draw(t, "how")
		recs[i] = &event.Record{Seq: uint64(i + 1), Decision: event.Decision{Facts: facts, Envelope: event.Envelope{
			// A small set of ids and instants: repeats of one id and ties must occur.
			ID: fmt.Sprintf("id-%d", rapid.IntRange(0, 30).Draw(t, "scan")), Kind: on.Kind, Key: on.Key,
			Occurred: lawStart + event.Instant(rapid.IntRange(0, 40).Draw(t, "minute"))*30_000,
			Actor:    rapid.SampledFrom(lawPeople).Draw(t, "actor"), Place: rapid.SampledFrom(lawPlaces).Draw(t, "place"),
			Device: rapid.SampledFrom([]string{"H-1", "H-2"}).Draw(t, "device"), How: how,
		}}}
	}
	return recs
}

// dump writes everything that can be asked of a world.
func dump(t *rapid.T, w *World) string {
	out := map[string]any{}
	put := func(name string, v any) { out[name] = v }
	for _, kind := range event.Kinds() {
		for _, key := range w.Keys(kind) {
			at := Target{kind, key}
			put(fmt.Sprint("seq ", at), w.Seq(at))
			put(fmt.Sprint("doubts ", at), w.DoubtsOf(at, 0))
			put(fmt.Sprint("past ", at), w.DoubtHistory(at, 0))
			put(fmt.Sprint("records ", at), w.Records(at))
			put(fmt.Sprint("loggers ", at), w.LoggersOf(at))
		}
	}
	for _, key := range lawTubes {
		for _, at := range []event.Instant{0, lawStart + 600_000} {
			x, _ := w.TubeAt(key, at)
			put(fmt.Sprint("tube ", key, at), x)
			put(fmt.Sprint("journey ", key, at), w.Journey(key, at))
		}
	}
	for _, key := range lawCarriers {
		x, _ := w.Carrier(key)
		put(fmt.Sprint("carrier ", key), x)
		put(fmt.Sprint("contents ", key), w.Contents(key, 0))
	}
	r, _ := w.Request("L-R1")
	put("request", r)
	d, _ := w.Draw("L-D1")
	put("draw", d)
	o, _ := w.OpenDraw("H-1", lawStart+900_000)
	put("open", o)
	put("adoptions", w.Adoptions())
	for _, ref := range lawPatients {
		of := w.OfPatient(ref)
		for _, key := range w.Keys(event.KindTube) {
			x, ok := w.Tube(key)
			if ok && x.Patient != "" && w.Patient(x.Patient) == w.Patient(ref) && !slices.Contains(of, Target{event.KindTube, key}) {
				t.Errorf("tube %s is of patient %s, and OfPatient doesn't say so", key, ref)
			}
		}
		put("patient "+ref, []any{w.Patient(ref), w.Erased(ref), of})
	}
	put("waiting", w.Waiting())
	put("erased", w.ErasedPatients())
	text, err := json.Marshal(out)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// apart shows where two dumps begin to differ.
func apart(a, b string) string {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	cut := func(s string) string { return s[max(0, i-80):min(len(s), i+160)] }
	return "\n" + cut(a) + "\n" + cut(b)
}

func fold(recs []*event.Record) *World { return folded(NewWorld(), recs) }

func folded(w *World, recs []*event.Record) *World {
	for _, r := range recs {
		w.Apply(r)
	}
	return w
}

// Any order of arrival gives the same state, and a second time changes nothing.
func TestLawAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		recs := genRecords(t)
		want := dump(t, fold(recs))
		w := folded(pressing(NewWorld(), rapid.IntRange(0, 3).Draw(t, "at hand")), rapid.Permutation(recs).Draw(t, "order"))
		if got := dump(t, w); got != want {
			t.Fatalf("another order gives another state: %s", apart(got, want))
		}
		for _, r := range recs {
			w.Apply(r)
		}
		if got := dump(t, w); got != want {
			t.Fatal("folding twice changes the state")
		}
		for _, key := range lawTubes {
			if x, ok := w.Tube(key); w.FlagUp(key) != (ok && x.Flag.Open) {
				t.Fatalf("%s: the flag is up: %t", key, !x.Flag.Open)
			}
		}
	})
}

// What Apply doesn't name as touched has not changed.
func TestLawTouched(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := pressing(NewWorld(), 1)
		look := func(key event.Key) string {
			x, ok := w.Tube(key)
			if ok {
				x.Seq = 0 // a second message of one id raises the sequence and nothing else
			}
			text, err := json.Marshal([]any{x, w.Journey(key, 0), w.Doubts(key)})
			if err != nil {
				t.Fatal(err)
			}
			return string(text)
		}
		for _, r := range genRecords(t) {
			before := map[event.Key]string{}
			for _, key := range lawTubes {
				before[key] = look(key)
			}
			touched := map[Target]bool{}
			for _, x := range w.Apply(r) {
				touched[x] = true
			}
			for _, key := range lawTubes {
				if after := look(key); after != before[key] && !touched[Target{event.KindTube, key}] {
					t.Fatalf("%s %s %T changed %s unsaid: %s", r.Kind, r.Key, r.Facts[0], key, apart(before[key], after))
				}
			}
		}
	})
}

// A journey has no hole and no overlap.
func TestLawJourney(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := fold(genRecords(t))
		for _, key := range lawTubes {
			end := lawStart + 3_600_000
			legs := w.Journey(key, end)
			for i, l := range legs {
				if l.From >= l.To || i > 0 && legs[i-1].To != l.From || i == len(legs)-1 && l.To != end {
					t.Fatalf("leg %d of %+v", i, legs)
				}
			}
		}
	})
}

// Decide never panics and gives facts of one aggregate, or a reason.
func TestLawDecideIsTotal(t *testing.T) {
	verbs := append(Verbs(), "nonsense", "")
	rapid.Check(t, func(t *rapid.T) {
		w := fold(genRecords(t))
		s := Scan{Target: rapid.SampledFrom(append(lawTargets, Target{})).Draw(t, "target"),
			Carrier: rapid.SampledFrom([]event.Key{"", "L-B1", "L-B2"}).Draw(t, "carrier"),
			Parent:  rapid.SampledFrom([]event.Key{"", "L-T1", "L-T2"}).Draw(t, "parent"),
			From:    rapid.SampledFrom(append(lawPeople, "")).Draw(t, "from"), To: rapid.SampledFrom(append(lawPlaces, "oskar")).Draw(t, "to"),
			Patient: rapid.SampledFrom(append([]string{""}, lawPatients...)).Draw(t, "patient"), Rack: rapid.SampledFrom(append(event.RackAnswers(), "")).Draw(t, "rack"),
			Tubes: lawTubes[:rapid.IntRange(0, 3).Draw(t, "tubes")], Tests: []string{"K"}}
		s.Step = rapid.SampledFrom(verbs).Draw(t, "verb")
		s.Mode = rapid.SampledFrom([]event.Mode{event.Live, event.Reported, ""}).Draw(t, "mode")
		s.ID, s.Actor, s.Occurred, s.Device = "id-new", "mira", lawStart+1_000_000, "H-1"
		if keys, _ := StepDetails(s.Step); len(keys) > 0 {
			s.Details = map[string]string{rapid.SampledFrom(keys).Draw(t, "detail"): rapid.SampledFrom(
				[]string{"", "yes", "1", "0.25", "-1", "2026-11-24T09:30:00Z", "id-1", "measured", "on-ice", "not-in-carrier"}).Draw(t, "value")}
		}
		d, err := Decide(w, s)
		switch {
		case err == nil:
			if len(d.Facts) == 0 || d.Key == "" || d.ID != s.ID {
				t.Fatalf("%s gives %+v", s.Step, d)
			}
		case AsRefused(err) != nil && s.Mode == event.Reported:
			t.Fatalf("reported %s is refused: %v", s.Step, err)
		}
	})
}

// Every verb of the closed list is a step here, and no other.
func TestVerbs(t *testing.T) {
	want := map[string]bool{}
	for _, v := range event.Steps() {
		want[v] = true
		if _, ok := StepDetails(v); !ok {
			t.Errorf("step %s is missing", v)
		}
		if len(StepTargets(v)) == 0 {
			t.Errorf("step %s has no target", v)
		}
	}
	for _, v := range Verbs() {
		if !want[v] {
			t.Errorf("step %s is in no list", v)
		}
	}
}

func BenchmarkApply(b *testing.B) {
	recs := busyDay(10_000)
	for b.Loop() {
		w := fold(recs)
		if w.Len(event.KindTube) != 10_000 {
			b.Fatal("tubes are missing")
		}
	}
	b.ReportMetric(float64(len(recs)), "records/op")
}

func BenchmarkTube(b *testing.B) {
	w := fold(busyDay(2_000))
	i := 0
	for b.Loop() {
		key := event.Key(fmt.Sprintf("L-T%d", i%2_000))
		if _, ok := w.Tube(key); !ok {
			b.Fatal(key)
		}
		i++
	}
}

// busyDay is an invented day: tubes in boxes of 50, the same ten boxes again and again.
func busyDay(tubes int) []*event.Record {
	var recs []*event.Record
	add := func(on Target, at event.Instant, place string, facts ...event.Fact) {
		n := len(recs) + 1
		recs = append(recs, &event.Record{Seq: uint64(n), Decision: event.Decision{Facts: facts, Envelope: event.Envelope{
			ID: fmt.Sprintf("id-%d", n), Kind: on.Kind, Key: on.Key, Occurred: at, Actor: "mira", Place: place, Device: "H-1"}}})
	}
	for i := 0; i < tubes; i += 50 {
		at := lawStart + event.Instant(i)*1_000
		box := Target{event.KindCarrier, event.Key(fmt.Sprintf("L-B%d", i/50%10))}
		for k := range 50 {
			x := Target{event.KindTube, event.Key(fmt.Sprintf("L-T%d", i+k))}
			add(x, at, "WARD", event.Collected{Type: "EDTA"})
			add(x, at+60_000, "WARD", event.Packed{Carrier: box.Key})
		}
		add(box, at+600_000, "WARD", event.TakenOver{From: "mira"})
		add(box, at+3_600_000, "LAB", event.Arrived{}, event.TakenOver{})
		for k := range 50 {
			x := Target{event.KindTube, event.Key(fmt.Sprintf("L-T%d", i+k))}
			for j, f := range []event.Fact{event.Received{}, event.AcceptedForTesting{}, event.SpinStarted{}, event.SpinEnded{}, event.Measured{}} {
				add(x, at+3_700_000+event.Instant(j)*600_000, "LAB", f)
			}
		}
		add(box, at+7_200_000, "LAB", event.Emptied{})
	}
	return recs
}
