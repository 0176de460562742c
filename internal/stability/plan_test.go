package stability_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

var ward = event.Range{Low: 2000, High: 2400, Known: true}

func typesOf(s *stability.Set) func(string) (stability.TubeType, bool) {
	return func(code string) (stability.TubeType, bool) {
		for _, t := range s.Tubes {
			if t.Code == code {
				return t, true
			}
		}
		return stability.TubeType{}, false
	}
}

// The order of draw of CLSI GP41 and of the WHO guidelines on drawing blood 2010, table
// 2.3 (both second-hand), however the request lists the tubes.
func TestPlanIsInTheOrderOfDraw(t *testing.T) {
	set := starter(t)
	want := []string{"BLOOD-CULTURE", "CITRATE", "SERUM-GEL", "LIHEP", "EDTA", "FLUORIDE"}
	rapid.Check(t, func(t *rapid.T) {
		var ordered []stability.Ordered
		for _, code := range rapid.Permutation(want).Draw(t, "asked") {
			ordered = append(ordered, stability.Ordered{Type: code, Tests: []string{"K"}})
		}
		var got []string
		for _, p := range set.Plan(ordered, nil, ward, typesOf(set)) {
			got = append(got, p.Type.Code)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("planned %v, want %v", got, want)
		}
	})
}

// Invented fixture: one tube type in which one test wants ice, one warmth, one either.
const opposite = `format: stability-rules/1
set: {name: opposite, version: 1, author: test}
conventions: {ice: [0.0, 4.0], warm: [35.0, 39.0], wide: [0.0, 40.0]}
tubes:
  - {code: EDTA, name: EDTA, additive: potassium EDTA, gel: no, volume: 2.7 mL, order: 5, inversions: 8}
  - {code: SERUM, name: serum, additive: clot activator, gel: no, order: 3}
assays:
  - {code: COLD, name: cold}
  - {code: WARM, name: warm}
  - {code: ANY, name: any}
  - {code: FEW, name: few}
  - {code: LOST, name: lost}
rules:
  - {id: cold, assay: {code: COLD}, tubes: [EDTA], state: unspun, from: draw, until: spun, combine: sum, needs: [on-ice], evidence: policy,
     limits: [{band: ice, limit: 60m}], source: {title: invented, seen: direct}, default: {chosen: true, because: invented}}
  - {id: warm, assay: {code: WARM}, tubes: [EDTA], state: unspun, from: draw, until: measured, combine: sum, needs: [kept-warm], evidence: policy,
     limits: [{band: warm, limit: 30m}], source: {title: invented, seen: direct}, default: {chosen: true, because: invented}}
  - {id: any, assay: {code: ANY}, tubes: [EDTA], state: unspun, from: draw, until: measured, combine: sum, evidence: policy,
     limits: [{band: wide, limit: 8h}], source: {title: invented, seen: direct}, default: {chosen: true, because: invented}}
  - {id: few, assay: {code: FEW}, tubes: [SERUM, EDTA], state: unspun, from: draw, until: spun, combine: sum, evidence: policy,
     limits: [{band: [20.0, 25.0], limit: 2h}], source: {title: invented, seen: direct}, default: {chosen: true, because: invented}}
waits:
  - {tubes: [SERUM], at-least: 30m, before: spin, source: {title: invented, seen: direct}}
`

func TestPlanParts(t *testing.T) {
	set, err := stability.Parse("opposite.yaml", []byte(opposite))
	if err != nil {
		t.Fatal(err)
	}
	plan := func(o ...stability.Ordered) []stability.Planned { return set.Plan(o, nil, ward, typesOf(set)) }

	got := plan(stability.Ordered{Tube: "TB1", Type: "EDTA", Tests: []string{"COLD", "ANY", "WARM"}})
	if len(got) != 2 || got[0].Tube != "TB1" || got[1].Tube != "" {
		t.Fatalf("tests that can't be kept alike: %+v", got)
	}
	first, second := got[0], got[1]
	if !slices.Equal(first.Tests, []string{"COLD", "ANY"}) || !slices.Equal(first.Apart, []string{"WARM"}) || !slices.Equal(first.Advice, []stability.Advice{stability.OppositeHandling}) {
		t.Errorf("the first tube: %+v", first)
	}
	if !slices.Equal(first.Handling, []stability.Need{stability.NeedsIce}) || first.Keep != (event.Range{Low: 0, High: 400, Known: true}) {
		t.Errorf("it is kept %v %+v, not on ice at 0 to 4 °C", first.Handling, first.Keep)
	}
	if first.DueMs < 59*60_000 || first.DueMs > 60*60_000 || first.DueTest != "COLD" || first.DueUntil != event.EndsSpun {
		t.Errorf("what is due first: %d ms, %s, %s; want COLD within the hour of its rule", first.DueMs, first.DueTest, first.DueUntil)
	}
	if !slices.Equal(second.Tests, []string{"WARM"}) || !slices.Equal(second.Handling, []stability.Need{stability.NeedsWarmth}) {
		t.Errorf("the second tube: %+v", second)
	}
	if first.Type.VolumeUl != 2700 || first.Type.Inversions != 8 || first.Type.Order != 5 {
		t.Errorf("the type: %+v", first.Type)
	}

	// Nobody assigned a tube: the type that serves both tests is taken once.
	got = plan(stability.Ordered{Tests: []string{"FEW", "ANY", "LOST"}})
	if len(got) != 2 || got[0].Type.Code != "EDTA" || !slices.Equal(got[0].Tests, []string{"FEW", "ANY"}) || !slices.Equal(got[0].Advice, []stability.Advice{stability.SeveralTubesFit}) {
		t.Errorf("one tube serves both: %+v", got)
	}
	if last := got[len(got)-1]; !slices.Equal(last.Tests, []string{"LOST"}) || !slices.Equal(last.Advice, []stability.Advice{stability.NoTubeKnown}) {
		t.Errorf("a test without any tube: %+v", last)
	}
	if got = plan(stability.Ordered{Type: "SERUM", Tests: []string{"FEW"}}); got[0].WaitMs < 29*60_000 || got[0].WaitMs > 30*60_000 {
		t.Errorf("serum waits %d ms to clot, want 30 min", got[0].WaitMs)
	}
}

// Law: a plan holds every test that was ordered once, in a tube where it may be kept.
func TestLawPlanKeepsEveryTest(t *testing.T) {
	set := starter(t)
	var codes []string
	for _, a := range set.Assays {
		codes = append(codes, a.Code)
	}
	rapid.Check(t, func(t *rapid.T) {
		tests := rapid.SliceOfNDistinct(rapid.SampledFrom(codes), 1, 12, rapid.ID[string]).Draw(t, "tests")
		var got []string
		for _, p := range set.Plan([]stability.Ordered{{Tests: tests}}, nil, ward, typesOf(set)) {
			got = append(got, p.Tests...)
			if slices.Contains(p.Handling, stability.NeedsIce) && slices.Contains(p.Handling, stability.NeedsWarmth) {
				t.Fatalf("%s on ice and warm: %v", p.Type.Code, p.Tests)
			}
		}
		slices.Sort(got)
		slices.Sort(tests)
		if !slices.Equal(got, tests) {
			t.Fatalf("ordered %v, planned %v", tests, got)
		}
	})
}
