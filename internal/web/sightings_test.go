package web

import (
	"encoding/json"
	"fmt"
	"testing"

	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web/browsertest"
)

// One look at a Code 128 is enough where its number has a check character, two where it
// hasn't; another linear symbol always wants two.
func TestACheckedNumberWantsOneLook(t *testing.T) {
	schemes, err := label.Compile([]label.Scheme{
		{ID: "TB", Names: label.Tube, Pattern: "TB######"},
		{ID: "CK", Names: label.Tube, Pattern: "CK####[0-9A-Z]{1}", Check: label.Mod37Two},
		{ID: "GS", Names: label.Carrier, Pattern: "####", In: []string{"91"}, Check: label.Mod10},
	})
	if err != nil {
		t.Fatal(err)
	}
	p := browsertest.Open(t, cameraSite(t)+"/camera", browsertest.Look{})
	for _, c := range []struct {
		symbology, text string
		two             bool
	}{{"]C0", "TB260118", true}, {"]C0", "CK2601X", false}, {"]C0", "ck2601x", false}, {"]C0", "CK2601", true}, {"]C0", "1234", true}, {"]A0", "CK2601X", true}, {"]d1", "TB260118", false}} {
		var two bool
		p.Eval(fmt.Sprintf(`(async () => {
			const at = (name) => import(new URL(name, document.querySelector("script[type=module]").src));
			const [{ linearBut }, { expression }] = [await at("./sightings.js"), await at("./patterns.js")];
			return linearBut(%s.map(expression))(%q, new TextEncoder().encode(%q));
		})()`, checkedPatterns(schemes), c.symbology, c.text), &two)
		if two != c.two {
			t.Errorf("%s %s wants two reads: %t, want %t", c.symbology, c.text, two, c.two)
		}
	}
}

// What may be taken after which looks, by an invented clock. A look is what was
// found in one picture: "M1" is a matrix symbol with the data 1, "L1" a linear one,
// "G1" a matrix symbol with GS1 data.
func TestSightings(t *testing.T) {
	p := browsertest.Open(t, cameraSite(t)+"/camera", browsertest.Look{})
	p.Eval(`(async () => {
		const { Sightings } = await import(new URL("./sightings.js", document.querySelector("script[type=module]").src));
		const ids = { M: "]d1", L: "]C0", G: "]d2" };
		const read = (s) => ({ bytes: new TextEncoder().encode(s.slice(1)), symbology: ids[s[0]], s });
		window.play = (looks) => {
			const s = new Sightings();
			return looks.map(({ at, see, answer }) => {
				if (answer) s.answered(at, answer === "one");
				const v = s.look((see || "").split(" ").filter(Boolean).map(read), at);
				return v.take ? v.take.s : v.choose ? "? " + v.choose.map((r) => r.s).sort().join(" ") : "";
			});
		};
		return true;
	})()`, nil)
	type look struct {
		At     int    `json:"at"` // ms
		See    string `json:"see"`
		Answer string `json:"answer"` // to what was asked: one or none
		want   string
	}
	for name, looks := range map[string][]look{
		"a matrix symbol is taken at the next look": {{0, "M1", "", ""}, {100, "", "", "M1"}},
		"a linear one wants two equal reads":        {{0, "L1", "", ""}, {100, "", "", ""}, {200, "L1", "", "L1"}},
		"one linear read alone is nothing":          {{0, "L1", "", ""}, {100, "", "", ""}, {200, "", "", ""}, {300, "", "", ""}, {400, "", "", ""}, {500, "", "", ""}, {600, "", "", ""}, {700, "L1", "", ""}},
		"two different linear reads are no proof":   {{0, "L1", "", ""}, {100, "L2", "", ""}, {200, "", "", ""}},
		"a misread beside the truth delays it":      {{0, "L1", "", ""}, {100, "L2", "", ""}, {200, "L1", "", ""}, {300, "L1", "", ""}, {400, "L1", "", ""}, {500, "L1", "", ""}, {600, "L1", "", ""}, {700, "L1", "", "L1"}},
		"the same for 2 s is one":                   {{0, "M1", "", ""}, {100, "M1", "", "M1"}, {1000, "M1", "", ""}, {2500, "M1", "", ""}, {4000, "M1", "", ""}, {5900, "M1", "", ""}},
		"out of sight for 2 s it counts again":      {{0, "M1", "", ""}, {100, "M1", "", "M1"}, {2200, "M1", "", ""}, {2300, "M1", "", "M1"}},
		"two at once are asked about":               {{0, "M1 M2", "", ""}, {100, "M1 M2", "", "? M1 M2"}, {200, "M1 M2", "", ""}},
		"the second found one look later":           {{0, "M1", "", ""}, {100, "M2", "", ""}, {200, "", "", "? M1 M2"}},
		"a new one beside one that was taken":       {{0, "M1", "", ""}, {100, "M1", "", "M1"}, {200, "M1 M2", "", ""}, {300, "M1 M2", "", "? M1 M2"}},
		"a new one after one that was taken":        {{0, "M1", "", ""}, {100, "M1", "", "M1"}, {200, "M2", "", ""}, {300, "M2", "", "M2"}},
		"a linear one beside a matrix one waits":    {{0, "M1 L2", "", ""}, {100, "M1", "", ""}, {200, "L2", "", "? L2 M1"}},
		"the same data in two symbols are one":      {{0, "M1 L1", "", ""}, {100, "L1", "", "M1"}},
		"GS1 and plain data differ":                 {{0, "M1 G1", "", ""}, {100, "M1 G1", "", "? G1 M1"}},
		"one was meant, after a long look":          {{0, "M1 M2", "", ""}, {100, "M1 M2", "", "? M1 M2"}, {9000, "M1 M2", "one", ""}, {10900, "M1 M2", "", ""}, {12800, "M2", "", ""}, {15000, "M2", "", ""}, {15100, "M2", "", "M2"}},
		"none was meant: asked again after 2 s":     {{0, "M1 M2", "", ""}, {100, "M1 M2", "", "? M1 M2"}, {200, "M1 M2", "none", ""}, {2000, "M2", "", ""}, {2300, "M2", "", ""}, {2400, "M2", "", "M2"}},
	} {
		sent, err := json.Marshal(looks)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		p.Eval(fmt.Sprintf("window.play(%s)", sent), &got)
		for i, l := range looks {
			if got[i] != l.want {
				t.Errorf("%s: look %d gives %q, want %q", name, i, got[i], l.want)
			}
		}
	}
}
