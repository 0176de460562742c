package specimendefinition_test

import (
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"

	sd "specimen.example/custody/internal/exchange/specimendefinition"
)

func file(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func read(t testing.TB, data []byte) *sd.Definition {
	t.Helper()
	d, err := sd.Read(data)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// The numbers of the official example (see testdata/README.md): serum preferred
// and plasma alternate, each at 15 to 25 °C for 60 min and at 2 to 8 °C for 8 h.
func TestOfficialExample(t *testing.T) {
	for _, name := range []string{"serum-plasma-r5.xml", "serum-plasma-r5.json", "serum-plasma-r4.json"} {
		t.Run(name, func(t *testing.T) {
			d := read(t, file(t, name))
			if d.ID != "2364" || d.Identifier != "12345" || len(d.Tested) != 2 {
				t.Fatalf("id %q, identifier %q, %d kinds", d.ID, d.Identifier, len(d.Tested))
			}
			if r4 := strings.Contains(name, "r4"); r4 != (d.URL == "") || r4 != (d.Status == "") || r4 != (d.Title == "") {
				t.Errorf("url %q, status %q, title %q", d.URL, d.Status, d.Title)
			}
			for i, want := range []struct{ material, code, preference string }{
				{"Serum specimen", "119364003", "preferred"}, {"Plasma specimen", "119361006", "alternate"}} {
				k := d.Tested[i]
				if k.Type.String() != want.material || k.Type.Codings[0].Code != want.code || k.Preference != want.preference || k.Container.MinimumVolume != "2 mL" ||
					k.Container.Type.String() != "Evacuated blood collection tube, thrombin/clot activator/gel separator" || len(k.Handling) != 2 {
					t.Fatalf("%+v", k)
				}
				for j, want := range []struct {
					qualifier, given string
					low, high        int32
					ms               int64
				}{{"Ambient temperature", "60 min", 15_00, 25_00, 60 * 60_000}, {"Refrigerated temperature", "8 h", 2_00, 8_00, 8 * 3_600_000}} {
					h := k.Handling[j]
					if h.Qualifier.String() != want.qualifier || int32(h.Low.C) != want.low || int32(h.High.C) != want.high || !h.Low.Exact || !h.High.Exact ||
						h.Max.Ms != want.ms || h.Max.Given != want.given {
						t.Errorf("%s: %+v %+v %+v %+v", h.Path, h.Qualifier, h.Low, h.High, h.Max)
					}
				}
			}
			var rejected []string
			for _, r := range d.Tested[1].Rejections {
				rejected = append(rejected, r.Codings[0].Code)
			}
			if len(d.Tested[0].Rejections) != 0 || strings.Join(rejected, " ") != "insufficient hemolized" {
				t.Errorf("rejection criteria %v, %q", d.Tested[0].Rejections, rejected)
			}
		})
	}
}

func TestBothFormsSayTheSame(t *testing.T) {
	xml, json := read(t, file(t, "serum-plasma-r5.xml")), read(t, file(t, "serum-plasma-r5.json"))
	if !reflect.DeepEqual(xml, json) {
		t.Errorf("XML gives\n%+v\nJSON gives\n%+v", xml, json)
	}
}

// Everything of the example that has no key in a rule file is listed, once.
func TestNothingIsDroppedSilently(t *testing.T) {
	d := read(t, file(t, "serum-plasma-r5.xml"))
	var got []string
	for _, u := range d.Unused {
		line := u.Path
		if u.Kept {
			line += " (kept)"
		}
		if u.Why == "" || u.Value == "" {
			t.Errorf("%+v", u)
		}
		got = append(got, line)
	}
	const tested = "SpecimenDefinition.typeTested"
	want := []string{"SpecimenDefinition.id (kept)", "SpecimenDefinition.url (kept)", "SpecimenDefinition.identifier (kept)", "SpecimenDefinition.title (kept)",
		"SpecimenDefinition.status (kept)", "SpecimenDefinition.experimental (kept)", "SpecimenDefinition.typeCollected", "SpecimenDefinition.patientPreparation[0]",
		"SpecimenDefinition.patientPreparation[1]", "SpecimenDefinition.timeAspect",
		tested + "[0].isDerived (kept)", tested + "[0].type (kept)", tested + "[0].preference (kept)", tested + "[0].container.material",
		tested + "[0].container.type (kept)", tested + "[0].container.cap", tested + "[0].container.minimumVolumeQuantity (kept)",
		tested + "[1].type (kept)", tested + "[1].preference (kept)", tested + "[1].rejectionCriterion[0] (kept)", tested + "[1].rejectionCriterion[1] (kept)",
		tested + "[1].container.material", tested + "[1].container.type (kept)", tested + "[1].container.cap", tested + "[1].container.minimumVolumeQuantity (kept)"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// one is a definition with one handling; its parts are exchanged in tests.
const one = `{"resourceType": "SpecimenDefinition", "id": "T-1", "typeTested": [{"preference": "preferred", "handling": [
  {"temperatureRange": {"low": {"value": 15, "system": "http://unitsofmeasure.org", "code": "Cel"},
                        "high": {"value": 25, "system": "http://unitsofmeasure.org", "code": "Cel"}},
   "maxDuration": {"value": 60, "system": "http://unitsofmeasure.org", "code": "min"}}]}]}`

func change(t testing.TB, old, with string) []byte {
	t.Helper()
	if strings.Count(one, old) == 0 {
		t.Fatalf("%q is not in the definition", old)
	}
	return []byte(strings.Replace(one, old, with, 1))
}

// Units and their sizes: UCUM, tables of base, derived and customary units
// (a = a_j = 365.25 d, mo = a_j/12, wk = 7 d; [degF] has 5/9 K and its zero at
// 459.67; Cel has its zero at 273.15 K). SD5 of the project's reference asks for
// d and wk, and that an unknown unit is refused.
func TestUnitsOfTime(t *testing.T) {
	const low = `"value": 60, "system": "http://unitsofmeasure.org", "code": "min"`
	for _, c := range []struct {
		value, unit string
		ms          int64 // 0: refused
	}{
		{"60", "min", 3_600_000}, {"8", "h", 28_800_000}, {"2", "d", 172_800_000}, {"1", "wk", 604_800_000}, {"1", "mo", 2_629_800_000},
		{"1", "a", 31_557_600_000}, {"90", "s", 90_000}, {"500", "ms", 500}, {"1.5", "h", 5_400_000}, {"0.5", "d", 43_200_000}, {"2e1", "min", 1_200_000},
		{"1.50", "h", 5_400_000}, {"0", "h", 0}, {"-1", "h", 0}, {"0.0000001", "s", 0}, {"1", "hour", 0}, {"1", "H", 0}, {"1", "minute", 0}, {"1", "Cel", 0}, {"1", "us", 0},
		{"99999", "a", 0}, {"1e99", "h", 0}, {"0.00000000000000001", "h", 0},
	} {
		d, err := sd.Read(change(t, low, `"value": `+c.value+`, "system": "http://unitsofmeasure.org", "code": "`+c.unit+`"`))
		switch {
		case c.ms == 0:
			var f sd.Faults
			if !errors.As(err, &f) || len(f) != 1 || !strings.HasPrefix(f[0].Path, "SpecimenDefinition.typeTested[0].handling[0].maxDuration.") {
				t.Errorf("%s %s: %v", c.value, c.unit, err)
			}
		case err != nil || d.Tested[0].Handling[0].Max.Ms != c.ms:
			t.Errorf("%s %s: %v, want %d ms", c.value, c.unit, err, c.ms)
		}
	}
}

func TestUnitsOfTemperature(t *testing.T) {
	const low = `"value": 15, "system": "http://unitsofmeasure.org", "code": "Cel"`
	for _, c := range []struct {
		value, unit string
		c           int32
		exact       bool
	}{
		{"15", "Cel", 15_00, true}, {"-80", "Cel", -80_00, true}, {"2.5", "Cel", 2_50, true}, {"2.505", "Cel", 2_50, false},
		{"59", "[degF]", 15_00, true}, {"32", "[degF]", 0, true}, {"-40", "[degF]", -40_00, true}, {"36", "[degF]", 2_22, false}, {"-4", "[degF]", -20_00, true},
		{"31", "[degF]", -56, false}, {"273.15", "K", 0, true}, {"193.15", "K", -80_00, true}, {"273.155", "K", 0, false},
	} {
		d, err := sd.Read(change(t, low, `"value": `+c.value+`, "system": "http://unitsofmeasure.org", "code": "`+c.unit+`"`))
		if err != nil {
			t.Errorf("%s %s: %v", c.value, c.unit, err)
			continue
		}
		if got := d.Tested[0].Handling[0].Low; int32(got.C) != c.c || got.Exact != c.exact {
			t.Errorf("%s %s: %+v, want %d, exact %t", c.value, c.unit, got, c.c, c.exact)
		}
	}
}

// Each fault is named once, with its FHIRPath, line and a remedy.
func TestFaultsNameTheirPath(t *testing.T) {
	const h = "SpecimenDefinition.typeTested[0].handling[0]"
	for _, c := range []struct{ old, with, path, says string }{
		{`"maxDuration": {"value"`, `"maxduration": {"value"`, h + ".maxduration", "did you mean maxDuration?"},
		{`"code": "min"`, `"code": "minutes"`, h + ".maxDuration.code", "min, h, d"},
		{`"system": "http://unitsofmeasure.org", "code": "min"`, `"code": "min"`, h + ".maxDuration.system", "qty-3"},
		{`, "code": "min"`, ``, h + ".maxDuration.code", "UCUM code"},
		{`"http://unitsofmeasure.org", "code": "min"`, `"urn:local", "code": "min"`, h + ".maxDuration.system", "not UCUM"},
		{`"value": 60`, `"value": "60"`, h + ".maxDuration.value", "write a number"},
		{`"value": 60`, `"value": 60, "comparator": "<"`, h + ".maxDuration.comparator", "without a comparator"},
		{`"value": 60, `, ``, h + ".maxDuration.value", "missing"},
		{`"value": 60, `, `"value": null, `, "file", "null"},
		{`"code": "Cel"`, `"code": "C"`, h + ".temperatureRange.low.code", "Cel, K, [degF]"},
		{`"value": 15`, `"value": 25.01`, h + ".temperatureRange", "rng-2"},
		{`"value": 15`, `"value": -300`, h + ".temperatureRange.low.value", "no temperature"},
		{`"preferred"`, `"best"`, "SpecimenDefinition.typeTested[0].preference", "preferred or alternate"},
		{`"preference": "preferred", `, ``, "SpecimenDefinition.typeTested[0].preference", "missing"},
		{`[{"preference"`, `{"preference"`, "file", "JSON"},
		{`"id": "T-1"`, `"id": ["T-1"]`, "SpecimenDefinition.id", "without square brackets"},
		{`"id": "T-1"`, `"id": ""`, "SpecimenDefinition.id", "empty"},
		{`"id": "T-1"`, `"id": "T-1", "id": "T-2"`, "file", "twice"},
		{`"id": "T-1"`, `"id": "T-1", "status": "valid"`, "SpecimenDefinition.status", "draft, active"},
		{`"id": "T-1"`, `"id": "T-1", "experimental": "true"`, "SpecimenDefinition.experimental", "true or false"},
		{`"id": "T-1"`, `"id": "T-1", "implicitRules": "urn:x"`, "SpecimenDefinition.implicitRules", "doesn't know"},
		{`"id": "T-1"`, `"id": "T-1", "modifierExtension": [{"url": "urn:x", "valueBoolean": true}]`, "SpecimenDefinition.modifierExtension[0]", "doesn't know"},
		{`{"temperatureRange"`, `{"modifierExtension": [{"url": "urn:x"}], "temperatureRange"`, h + ".modifierExtension[0]", "doesn't know"},
		{`"SpecimenDefinition"`, `"Specimen"`, "file", "resourceType"},
		{`"SpecimenDefinition"`, `"Bundle"`, "file", "Bundle"},
		{`"id": "T-1"`, `"colour": "red"`, "SpecimenDefinition.colour", "not an element"},
		{`"preference": "preferred"`, `"preference": {"x": 1}`, "SpecimenDefinition.typeTested[0].preference", "single value"},
		{`"maxDuration": {"value": 60`, `"maxDuration": {"low": 1, "value": 60`, h + ".maxDuration.low", "not an element"},
		{`"handling": [`, `"container": {"minimumVolumeString": "2 mL", "minimumVolumeQuantity": {"value": 2}}, "handling": [`, "SpecimenDefinition.typeTested[0].container.minimumVolume", "keep one"},
	} {
		t.Run(c.path+" "+c.says, func(t *testing.T) {
			_, err := sd.Read(change(t, c.old, c.with))
			var f sd.Faults
			if !errors.As(err, &f) || len(f) != 1 {
				t.Fatalf("%v", err)
			}
			if f[0].Path != c.path || !strings.Contains(f[0].String(), c.says) || f[0].Line < 1 || f[0].Column < 1 || f[0].Remedy == "" {
				t.Errorf("%s\nwant %s … %s", f[0], c.path, c.says)
			}
		})
	}
}

func TestPlacesAndSeveralFaults(t *testing.T) {
	text := strings.Replace(strings.Replace(one, `"code": "min"`, `"code": "minutes"`, 1), `"code": "Cel"`, `"code": "C"`, 2)
	_, err := sd.Read([]byte(text))
	var f sd.Faults
	if !errors.As(err, &f) || len(f) != 3 {
		t.Fatalf("%v", err)
	}
	for i, line := range []int{2, 3, 4} {
		if f[i].Line != line {
			t.Errorf("fault %d in line %d, want %d", i, f[i].Line, line)
		}
		if at := strings.Split(text, "\n")[f[i].Line-1][f[i].Column-1:]; !strings.HasPrefix(at, `"code"`) {
			t.Errorf("fault %d points at %q", i, at)
		}
	}
}

func TestXMLFaults(t *testing.T) {
	good := string(file(t, "serum-plasma-r5.xml"))
	for _, c := range []struct{ old, with, path, says string }{
		{`<code value="min"/>`, `<code value="minute"/>`, "SpecimenDefinition.typeTested[0].handling[0].maxDuration.code", "min, h, d"},
		{`<preference value="preferred"/>`, `<preference value="preferred"/><preference value="alternate"/>`, "SpecimenDefinition.typeTested[0].preference", "twice"},
		{`<experimental value="false" />`, `<experimental value="no" />`, "SpecimenDefinition.experimental", "true or false"},
		{`<status value="active"/>`, `<status/>`, "SpecimenDefinition.status", "single value"},
		{`<status value="active"/>`, `<status value="active" colour="red"/>`, "file", "attribute"},
		{`<status value="active"/>`, `<status value="active"/>so`, "file", "text between"},
		{`<identifier>`, `<identification>`, "file", "not XML"},
		{`xmlns="http://hl7.org/fhir"`, `xmlns="urn:x"`, "file", "namespace"},
		{`<SpecimenDefinition xmlns`, `<!DOCTYPE x [<!ENTITY a "b">]><SpecimenDefinition xmlns`, "file", "declaration"},
		{`</SpecimenDefinition>`, `</SpecimenDefinition><x xmlns="http://hl7.org/fhir"/>`, "file", "second root"},
	} {
		_, err := sd.Read([]byte(strings.Replace(good, c.old, c.with, 1)))
		var f sd.Faults
		if !errors.As(err, &f) || len(f) != 1 || f[0].Path != c.path || !strings.Contains(f[0].String(), c.says) || f[0].Line < 1 {
			t.Errorf("%s for %s: %v", c.with, c.old, err)
		}
	}
	narrative := strings.Replace(good, "<url", `<text><status value="generated"/><div xmlns="http://www.w3.org/1999/xhtml"><p class="x">Serum &amp; plasma</p></div></text><url`, 1)
	d := read(t, []byte(narrative))
	if d.Unused[1].Path != "SpecimenDefinition.text" || len(d.Tested) != 2 {
		t.Errorf("%+v", d.Unused[:2])
	}
}

func TestBounds(t *testing.T) {
	deep := strings.Repeat(`{"a":`, 100) + "1" + strings.Repeat("}", 100)
	for says, data := range map[string]string{
		"1 MiB":         strings.Repeat(" ", sd.MaxBytes) + one,
		"nested more":   strings.Replace(one, `"id": "T-1"`, `"identifier": `+deep, 1),
		"more than 200": strings.Replace(one, `"id": "T-1"`, `"contact": [`+strings.Repeat(`{"a":1},`, 20_000)+`{"a":1}]`, 1),
		"empty":         " \n",
		"neither":       "hello",
		"UTF-8":         "{\"a\": \"\xff\"}",
		"too early":     one[:len(one)-3],
		"more after":    one + "{}",
		"nested":        "<a xmlns=\"http://hl7.org/fhir\">" + strings.Repeat("<a>", 100),
		"more faults":   strings.Replace(one, `"id": "T-1"`, `"typeCollected": {"coding": [`+strings.Repeat(`{"x":1},`, 200)+`{"x":1}]}`, 1),
	} {
		_, err := sd.Read([]byte(data))
		var f sd.Faults
		if !errors.As(err, &f) || len(err.Error()) > 30_000 || !strings.Contains(err.Error(), says) && says != "nested" {
			t.Errorf("%s: %.300v", says, err)
		}
	}
}

// Extensions, also of single values, are listed and never read.
func TestExtensionsAreListed(t *testing.T) {
	d := read(t, change(t, `"id": "T-1"`, `"id": "T-1", "_timeAspect": {"extension": [{"url": "urn:x", "valueString": "soon"}]}, "extension": [{"url": "urn:y", "valueInteger": 7}]`))
	var got []string
	for _, u := range d.Unused {
		got = append(got, u.Path+"="+u.Value)
	}
	want := []string{"SpecimenDefinition.id=T-1", "SpecimenDefinition.timeAspect.extension=urn:x, soon", "SpecimenDefinition.extension[0]=urn:y, 7", "SpecimenDefinition.typeTested[0].preference=preferred"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%q", got)
	}
}

// The place of what is no JSON is counted from the start of the file.
func TestBrokenJSONIsPlaced(t *testing.T) {
	_, err := sd.Read([]byte("{\n \"resourceType\": \"SpecimenDefinition\",\n \"id\": yes}"))
	var faults sd.Faults
	if !errors.As(err, &faults) || len(faults) != 1 || faults[0].Line != 3 || faults[0].Column != 8 {
		t.Errorf("%v", err)
	}
}
