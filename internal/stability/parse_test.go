package stability_test

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
)

var updateParse = flag.Bool("update-parse", false, "write the golden mistakes anew")

const rulesDir = "../../testdata/rules/"

func readFile(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func mustParse(t testing.TB, data string) *stability.Set {
	t.Helper()
	set, err := stability.Parse("test.yaml", []byte(data))
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// The file holds one mistake of each of ten kinds; every one of them is
// reported, and no other that follows from them.
func TestTenMistakes(t *testing.T) {
	const golden = "testdata/ten-mistakes.golden"
	_, err := stability.Parse("ten-mistakes.yaml", readFile(t, rulesDir+"ten-mistakes.yaml"))
	var mistakes stability.Mistakes
	if !errors.As(err, &mistakes) {
		t.Fatalf("error is %T: %v", err, err)
	}
	if len(mistakes) != 10 {
		t.Errorf("%d mistakes, want 10", len(mistakes))
	}
	got := mistakes.Error() + "\n"
	if *updateParse {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want := string(readFile(t, golden)); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestExampleIsRead(t *testing.T) {
	set, err := stability.Parse("example.yaml", readFile(t, rulesDir+"example.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if set.Name != "example" || set.Version != 1 || set.Author != "library" || len(set.Hash) != 64 {
		t.Errorf("header %q %d %q %q", set.Name, set.Version, set.Author, set.Hash)
	}
	r := set.Rules[0]
	const hour = 3_600_000
	want := stability.Limit{BandName: "room", Low: 18_00, High: 25_00, GoodMs: 6 * hour, FirstBad: 8 * hour, AsStudied: "RT, range not stated", Widened: true}
	if !reflect.DeepEqual(r.Limits, []stability.Limit{want}) {
		t.Errorf("limits %+v", r.Limits)
	}
	if !reflect.DeepEqual(r.Below, &stability.Outside{At: 15_00, HasAt: true, TwoValid: true, Direction: event.ReadsHigh}) {
		t.Errorf("below %+v", r.Below)
	}
	if !reflect.DeepEqual(r.Above, &stability.Outside{AllowMs: hour / 2, Direction: event.ReadsLow}) {
		t.Errorf("above %+v", r.Above)
	}
	if r.Assay != (stability.Assay{Code: "K", Loinc: "2823-3", Name: "potassium"}) || !r.Default || r.Line != 7 || r.TimeReads != event.ReadsHigh {
		t.Errorf("rule %+v", r)
	}
	if w := set.Waits[0]; w.AtLeast != hour/2 || w.Before != "spin" || w.Source.Seen != "second-hand" {
		t.Errorf("wait %+v", w)
	}
	if e := set.Ends[0]; e.Assay.Code != "CBC" || e.When != "spun" || e.Say != "needs unspun blood" {
		t.Errorf("ends-test %+v", e)
	}
}

// The fixture's numbers are those of the table "Fixture used by the cases".
func TestFixtureIsTheTableOfTheCases(t *testing.T) {
	set, err := stability.Parse("fixture.yaml", readFile(t, "../../testdata/stories/fixture.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	const minute = 60_000
	for _, c := range []struct {
		assay, tube string
		low, high   event.CentiC
		limit       int64
		until       event.Ending
	}{
		{"K", "LIHEP-GEL", 15_00, 25_00, 240, event.EndsSpun},
		{"K", "SERUM", 15_00, 25_00, 240, event.EndsSpun},
		{"K", "SERUM-GEL", 15_00, 25_00, 240, event.EndsSpun},
		{"GLU", "LIHEP-GEL", 15_00, 25_00, 60, event.EndsSpun},
		{"APTT", "CITRATE", 18_00, 25_00, 240, event.EndsSpun},
		{"FVIII", "CITRATE", 18_00, 25_00, 240, event.EndsSpun},
		{"VWF", "CITRATE", 18_00, 25_00, 240, event.EndsSpun},
		{"CBC", "EDTA", 2_00, 25_00, 24 * 60, event.EndsMeasured},
		{"AMM", "EDTA", 0, 8_00, 60, event.EndsSpun},
	} {
		i := slices.IndexFunc(set.Rules, func(r stability.Rule) bool { return r.Assay.Code == c.assay && slices.Contains(r.Tubes, c.tube) })
		if i < 0 {
			t.Errorf("%s in %s: no rule", c.assay, c.tube)
			continue
		}
		r := set.Rules[i]
		if l := r.Limits[0]; len(r.Limits) != 1 || l.Low != c.low || l.High != c.high || l.Ms != c.limit*minute || r.Until != c.until || !r.Default {
			t.Errorf("%s in %s: %s", c.assay, c.tube, stability.Describe(&r))
		}
	}
	if slices.Contains(set.Accepts["K"], "EDTA") {
		t.Error("potassium in EDTA must be the wrong tube")
	}
}

// base is a file with one rule of which each case spoils one thing.
const base = `format: stability-rules/1
set: {name: s, version: 1, author: mira}
conventions: {room: [18.0, 25.0]}
rules:
  - id: one
    assay: {code: K}
    tubes: [SERUM]
    state: unspun
    until: spun
    limits: [{band: room, limit: 4h}]
    evidence: policy
    source: {title: "house rule", seen: direct}
`

const second = `  - id: two
    assay: {code: K}
    tubes: [SERUM]
    state: unspun
    until: spun
    limits: [{band: room, limit: 2h}]
    evidence: policy
    source: {title: "house rule", seen: direct}
`

func TestEachMistakeIsNamedOnceWithItsRemedy(t *testing.T) {
	mustParse(t, base)
	swap := func(old, now string) string {
		if !strings.Contains(base, old) {
			t.Fatalf("%q is not in the base file", old)
		}
		return strings.Replace(base, old, now, 1)
	}
	because := "    default: {chosen: true, because: x}\n"
	for _, c := range []struct{ name, file, want string }{
		{"no unit", swap("4h", "4"), `10:34: rules.one.limits[1].limit: "4" has no unit that is known; write a number and one unit`},
		{"unknown unit", swap("4h", "4w"), `10:34: rules.one.limits[1].limit: "4w" has no unit that is known`},
		{"not exact", swap("4h", "0.0001s"), `is not a whole number of milliseconds`},
		{"too long", swap("4h", "999999999d"), `is longer than 3660 days`},
		{"no time", swap("4h", "0s"), `is no time at all; for "never" use outside`},
		{"edge off the grid", swap("18.0, 25.0", "18.0, 25.001"), `3:28: conventions.room: "25.001" is off the 0.01 °C grid`},
		{"edges turned", swap("18.0, 25.0", "25.0, 18.0"), `the first edge is warmer than the second`},
		{"impossible temperature", swap("18.0, 25.0", "18.0, 1000"), `is no temperature of a tube`},
		{"band of one edge", swap("band: room", "band: [4.0]"), `is not a band; write [lowest, highest]`},
		{"unknown band", swap("band: room", "band: rooms"), `10:21: rules.one.limits[1].band: "rooms" is not a band of the conventions; did you mean room?`},
		{"overlap", swap("limit: 4h}", "limit: 4h}, {band: [25.0, 30.0], limit: 1h}"), `overlaps the band of row 1 (18 to 25 °C); both ends of a band are inside`},
		{"unknown key", swap("until:", "untils: x\n    until:"), `9:5: rules.one.untils: the key is not known; did you mean until?`},
		{"key twice", swap("    state: unspun\n", "    state: unspun\n    state: unspun\n"), `9:5: rules.one.state: the key stands twice, first in line 8`},
		{"missing source", swap("    source: {title: \"house rule\", seen: direct}\n", ""), `5:5: rules.one.source: is missing; say where the number comes from`},
		{"memory", swap("seen: direct", "seen: memory"), `rules.one.source.seen: memory is no source; look the number up`},
		{"seen otherwise", swap("seen: direct", "seen: glimpsed"), `"glimpsed" is not a known word; use one of direct, summary, second-hand`},
		{"practice", swap("house rule", "common practice, no source"), `a limit can't rest on common practice`},
		{"year", swap("seen: direct", "seen: direct, year: 18"), `"18" is not a year`},
		{"state", swap("state: unspun", "state: unspan"), `8:12: rules.one.state: "unspan" is not a known word; did you mean unspun?`},
		{"until", swap("until: spun", "until: thrown"), `"thrown" is not a known word; use one of measured, set-up`},
		{"until missing", swap("    until: spun\n", ""), `rules.one.until: is missing; say one of measured`},
		{"combine", swap("until: spun", "until: spun\n    combine: add"), `"add" is not a known word; use one of sum, strictest-band`},
		{"direction", swap("until: spun", "until: spun\n    direction: {time: up}"), `rules.one.direction.time: "up" is not a known word; use one of high, low, either, unknown`},
		{"evidence", swap("evidence: policy", "evidence: polcy"), `rules.one.evidence: "polcy" is not a known word; did you mean policy?`},
		{"evidence and form", swap("evidence: policy", "evidence: studied"), `rules.one.limits[1].limit: doesn't go with evidence: studied; use good-through`},
		{"two forms", swap("limit: 4h", "limit: 4h, good-through: 4h"), `says more than one kind of time`},
		{"no form", swap(", limit: 4h", ""), `rules.one.limits[1]: says no time; give limit`},
		{"bracket", swap("limit: 4h}]\n    evidence: policy", "good-through: 4h, first-bad: 4h}]\n    evidence: studied"), `10:56: rules.one.limits[1].first-bad: is not after good-through`},
		{"rate without criterion", swap("limit: 4h}]\n    evidence: policy", "rate: 0.1, unit: mmol/L}]\n    evidence: rate"), `rules.one.limits[1].criterion: is missing`},
		{"rate not a number", swap("limit: 4h}]\n    evidence: policy", "rate: fast, criterion: 1, unit: mmol/L}]\n    evidence: rate"), `"fast" is not a number above 0`},
		{"criterion alone", swap("limit: 4h", "limit: 4h, criterion: 1"), `stands without a rate`},
		{"need", swap("until: spun", "until: spun\n    needs: [in-fiol]"), `rules.one.needs: "in-fiol" is not a known word; did you mean in-foil?`},
		{"need twice", swap("until: spun", "until: spun\n    needs: [in-foil, in-foil]"), `rules.one.needs: in-foil stands twice; keep one of the two`},
		{"ice and warmth", swap("until: spun", "until: spun\n    needs: [on-ice, kept-warm]"), `rules.one.needs: asks for ice and for warmth; keep one of the two`},
		{"no need", swap("until: spun", "until: spun\n    needs: []"), `rules.one.needs: is empty; leave it out, or use one of in-foil, on-ice, kept-warm`},
		{"needs no list", swap("until: spun", "until: spun\n    needs: on-ice"), `rules.one.needs: is not a list`},
		{"share without percent", swap("limit: 4h", "limit: 4h, shares: [{at: 2h, over: '5'}]"), `rules.one.limits[1].shares[1].over: "5" has no % at its end; say how many tubes are over`},
		{"share of nothing", swap("limit: 4h", "limit: 4h, shares: [{at: 2h, over: '0 %'}]"), `"0 %" is not a part of all tubes`},
		{"share of more than all", swap("limit: 4h", "limit: 4h, shares: [{at: 2h, over: '100.5 %'}]"), `"100.5 %" is not a part of all tubes`},
		{"share in words", swap("limit: 4h", "limit: 4h, shares: [{at: 2h, over: 'few %'}]"), `"few %" is not a number of percent; say how many tubes`},
		{"share at once", swap("limit: 4h", "limit: 4h, shares: [{at: 0s, over: '5 %'}]"), `shares[1].at: is no time at all`},
		{"shares that fall", swap("limit: 4h", "limit: 4h, shares: [{at: 1h, over: '5 %'}, {at: 2h, over: '1 %'}]"), `shares[2]: doesn't go with 5 % at 1 h; more tubes are over as time passes`},
		{"share twice", swap("limit: 4h", "limit: 4h, shares: [{at: 1h, over: '5 %'}, {at: 1h, over: '5%'}]"), `shares[2]: doesn't go with 5 % at 1 h`},
		{"unstable as default", swap("limit: 4h}]\n    evidence: policy", "first-bad: 4h}]\n    default: {chosen: true, because: x}\n    evidence: shown-unstable"), `a time by which the test was shown unstable is no limit`},
		{"default without reason", base + "    default: {chosen: true}\n", `13:14: rules.one.default.because: is missing`},
		{"two defaults", base + because + second + because, `22:14: rules.two.default: is a second default for K in SERUM; the first is in line 5; choose one`},
		{"no default", base + second + "    default: {chosen: false}\n", `5:5: rules.one.default: is missing, and no other limit for K in SERUM is the default`},
		{"default of some tubes", base + strings.Replace(second, "[SERUM]", "[SERUM, LIHEP]", 1) + because + `  - id: three
    assay: {code: K}
    tubes: [EDTA, SERUM]
    state: unspun
    until: spun
    limits: [{band: room, limit: 2h}]
    evidence: policy
    source: {title: "house rule", seen: direct}
` + "", `rules.three.default: is missing; the rule is the only one for some of its tubes`},
		{"id twice", base + because + strings.Replace(second, "id: two", "id: one", 1) + "    default: {chosen: false}\n", `14:5: rules.one.id: the id stands twice, first in line 5`},
		{"id", swap("id: one", "id: One!"), `rules[1].id: "One!" can't be used here; give the rule an id of small letters`},
		{"impossible pair", base + "waits: [{tubes: [SERUM], at-least: 5h, before: spin, source: {title: x, seen: direct}}]\n", `10:13: rules.one.limits: no band holds longer than 4 h, but the tube must wait 5 h before the spin (line 13)`},
		{"two waits", base + "waits: [{tubes: [SERUM], at-least: 1h, before: spin, source: {title: x, seen: direct}}, {tubes: [SERUM], at-least: 2h, before: spin, source: {title: x, seen: direct}}]\n", `SERUM has a wait before the spin already; keep one of the two`},
		{"ends twice", base + "ends-test: [{assay: {code: K}, when: spun, say: x}, {assay: {code: K}, when: spun, say: y}]\n", `K ends when spun already`},
		{"outside without allow", swap("until: spun", "until: spun\n    outside: {below: {at: 15.0}}"), `rules.one.outside.below.allow: is missing`},
		{"threshold inside the band", swap("until: spun", "until: spun\n    outside: {below: {at: 20.0, allow: 0s}}"), `lies above the lowest band's edge 18 °C`},
		{"not accepted", base + "accepts: [{assay: K, tubes: [EDTA]}]\n", `7:12: rules.one.tubes: SERUM is not accepted for K`},
		{"tube not listed", base + "tubes: [{code: SERAM, name: serum, additive: none, gel: no}]\n", `7:13: rules.one.tubes: "SERUM" is not in the file's list of tubes; did you mean SERAM?`},
		{"assay not listed", base + "assays: [{code: GLU}]\n", `6:12: rules.one.assay: "K" is not in the file's list of assays`},
		{"LOINC check digit", swap("code: K", "code: K, loinc: 2823-4"), `rules.one.assay.loinc: "2823-4" can't be used here; copy the code with its check digit`},
		{"condition", swap("until: spun", "until: spun\n    condition: {on-heparin: maybe}"), `"maybe" is neither yes nor no`},
		{"widened from nothing", swap("limit: 4h", "limit: 4h, widened: true"), `doesn't say from what`},
		{"format", swap("stability-rules/1", "stability-rules/9"), `1:9: format: "stability-rules/9" is not a format that is known`},
		{"version", swap("version: 1", "version: 1.5"), `set.version: "1.5" is not a whole number from 1`},
		{"no rules", base[:strings.Index(base, "rules:\n")], `1:1: rules: there are no rules`},
		{"not a mapping", "[]", `is not a block of "key: value"`},
		{"empty", "", `1:1: file: is empty`},
		{"two documents", base + "---\n" + base, `holds more than one document`},
		{"alias", swap("seen: direct", "seen: *x"), `unknown anchor`},
		{"anchor", swap("tubes: [SERUM]", "tubes: &t [SERUM]"), `7:12: file: an anchor ("t") is not allowed`},
		{"tag", swap("id: one", "id: !!binary one"), `a tag ("!!binary") is not allowed`},
		{"tab", swap("    state", "\tstate"), `8:1: file: is not YAML: found character that cannot start any token; use spaces, not tabs`},
		{"too big", base + strings.Repeat("#", stability.MaxFileBytes), `split it: a rule file holds at most 1 MiB`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := stability.Parse("f.yaml", []byte(c.file))
			var m stability.Mistakes
			if !errors.As(err, &m) {
				t.Fatalf("error is %T: %v", err, err)
			}
			if len(m) != 1 {
				t.Errorf("%d mistakes:\n%v", len(m), err)
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
}

// A small file must not become a large one: anchors and aliases are refused
// before anything is expanded.
func TestAliasBombIsRefused(t *testing.T) {
	bomb := "a: &a [x,x,x,x,x,x,x,x,x]\n"
	for i := range 9 {
		bomb += fmt.Sprintf("%c: &%c [%s]\n", 'b'+i, 'b'+i, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*%c,", 'a'+i), 9), ","))
	}
	_, err := stability.Parse("bomb.yaml", []byte(bomb))
	var m stability.Mistakes
	if !errors.As(err, &m) {
		t.Fatalf("error is %T", err)
	}
}

func TestDefaultIsImpliedWhereItIsTheOnlyOne(t *testing.T) {
	set := mustParse(t, base)
	if r := set.Rules[0]; !r.Default || r.Because == "" {
		t.Errorf("default %v, because %q", r.Default, r.Because)
	}
	// A time by which the test was shown unstable is no candidate.
	unstable := strings.NewReplacer("limit: 2h", "first-bad: 12h", "evidence: policy", "evidence: shown-unstable").Replace(second)
	set = mustParse(t, base+unstable)
	if !set.Rules[0].Default || set.Rules[1].Default {
		t.Error("the shown-unstable rule counts as a candidate")
	}
	set = mustParse(t, base+"    default: {chosen: false}\n")
	if set.Rules[0].Default {
		t.Error("a rule that was not chosen became the default")
	}
}

func TestSharesAreExact(t *testing.T) {
	file := strings.Replace(base, "limit: 4h", "limit: 4h, shares: [{at: 30m, over: '2.5%'}, {at: 4h, over: 100 %}, {at: 10m, over: 0.000001 %}, {at: 2h, over: 7 %}]", 1)
	var got []string
	for _, s := range mustParse(t, file).Rules[0].Limits[0].Shares {
		got = append(got, fmt.Sprintf("%s after %d s", s.Text(), s.AtMs/1000))
	}
	want := []string{"1 in 40 after 1800 s", "1 in 1 after 14400 s", "1 in 100000000 after 600 s", "7 in 100 after 7200 s"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestDurationsAreExact(t *testing.T) {
	for text, want := range map[string]int64{
		"90m": 90 * 60_000, "1.5h": 90 * 60_000, "0.001s": 1, "45s": 45_000, "7d": 7 * 86_400_000, "0.25d": 6 * 3_600_000, "3660d": 3660 * 86_400_000,
	} {
		set := mustParse(t, strings.Replace(base, "4h", text, 1))
		if got := set.Rules[0].Limits[0].Ms; got != want {
			t.Errorf("%s: %d ms, want %d", text, got, want)
		}
	}
}

func TestDescribeAndCompare(t *testing.T) {
	a, errA := stability.Parse("example.yaml", readFile(t, rulesDir+"example.yaml"))
	b, errB := stability.Parse("stricter.yaml", readFile(t, rulesDir+"stricter.yaml"))
	if errA != nil || errB != nil {
		t.Fatal(errA, errB)
	}
	const want = "potassium in LIHEP or LIHEP-GEL, unspun, from the draw until spun: 18 to 25 °C good through 6 h, first bad 8 h " +
		"(widened from RT, range not stated); below 15 °C no time is allowed (two readings), may read high; " +
		"above the band 30 min allowed, may read low; over time it may read high; studied; " +
		"source: Dupuy and others 2018, structured summary, PMID 28888086 (seen: summary); " +
		"default: longest studied, not contradicted for this tube and temperature"
	if got := stability.Describe(&a.Rules[0]); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if d := stability.Compare(a, a); len(d) != 0 {
		t.Errorf("a set differs from itself: %+v", d)
	}
	d := stability.Compare(a, b)
	if len(d) != 1 || d[0].Kind != "changed" || d[0].ID != "potassium-lih-unspun-studied" || !slices.Equal(d[0].Fields, []string{"limits", "default"}) ||
		!strings.Contains(d[0].Old, "good through 6 h") || !strings.Contains(d[0].New, "good through 4 h") {
		t.Errorf("differences %+v", d)
	}
	b.Rules[0].ID, b.Waits = "other", nil
	var kinds []string
	for _, d := range stability.Compare(a, b) {
		kinds = append(kinds, d.Kind+" "+d.What+" "+d.ID)
	}
	if !slices.Equal(kinds, []string{"removed rule potassium-lih-unspun-studied", "added rule other", "removed wait SERUM before spin", "removed wait SERUM-GEL before spin"}) {
		t.Errorf("differences %q", kinds)
	}
}

// Whatever the bytes, Parse answers: a set, or mistakes that each name a place
// inside the file and a remedy. The same bytes give the same answer.
func FuzzParse(f *testing.F) {
	f.Add([]byte(base))
	f.Add([]byte(base + second))
	for _, name := range []string{"example.yaml", "ten-mistakes.yaml"} {
		f.Add(readFile(f, rulesDir+name))
	}
	f.Add(readFile(f, "../../testdata/stories/fixture.yaml"))
	f.Fuzz(func(t *testing.T, data []byte) {
		set, err := stability.Parse("fuzz.yaml", data)
		again, errAgain := stability.Parse("fuzz.yaml", data)
		if err != nil {
			if errAgain == nil || err.Error() != errAgain.Error() {
				t.Fatalf("first %v, then %v", err, errAgain)
			}
			var m stability.Mistakes
			if !errors.As(err, &m) || len(m) == 0 {
				t.Fatalf("error is %T: %v", err, err)
			}
			for _, one := range m {
				if one.Line < 1 || one.Column < 1 || one.Field == "" || one.Problem == "" || one.Remedy == "" || strings.Contains(one.String(), "\n") {
					t.Fatalf("mistake %#v", one)
				}
			}
			return
		}
		if errAgain != nil || !reflect.DeepEqual(set, again) {
			t.Fatalf("two readings differ: %v", errAgain)
		}
		for i := range set.Rules {
			if text := stability.Describe(&set.Rules[i]); text == "" || strings.ContainsAny(text, "\n\r") {
				t.Fatalf("a rule's text is not one line: %q", text)
			}
		}
		if d := stability.Compare(set, again); len(d) != 0 {
			t.Fatalf("a set differs from itself: %+v", d)
		}
	})
}

// A band that can't be read is one mistake, not one for each row that names it.
func TestNothingFollowsFromABrokenBand(t *testing.T) {
	broken := strings.Replace(base, "[18.0, 25.0]", "[18.0, 25.001]", 1)
	broken = strings.Replace(broken, "limit: 4h}", "limit: 4h}, {band: room, limit: 1h}", 1)
	_, err := stability.Parse("f.yaml", []byte(strings.Replace(broken, "until: spun", "until: spun\n    outside: {below: {at: 15.0, allow: 0s}}", 1)))
	var m stability.Mistakes
	if !errors.As(err, &m) || len(m) != 1 {
		t.Errorf("got %v", err)
	}
}

func TestALongReportIsCut(t *testing.T) {
	file := base + strings.Repeat("  - {}\n", 1000)
	_, err := stability.Parse("f.yaml", []byte(file))
	var m stability.Mistakes
	if !errors.As(err, &m) || len(m) != 501 || !strings.Contains(m[500].Problem, "more mistakes from here on") {
		t.Errorf("%d mistakes, the last %v", len(m), m[len(m)-1])
	}
}
