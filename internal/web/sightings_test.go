package web

import (
	"encoding/json"
	"fmt"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
)

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
			return looks.map(({ at, see, release }) => {
				if (release) s.release(at);
				const v = s.look((see || "").split(" ").filter(Boolean).map(read), at);
				return v.take ? v.take.s : v.choose ? "? " + v.choose.map((r) => r.s).sort().join(" ") : "";
			});
		};
		return true;
	})()`, nil)
	type look struct {
		At      int    `json:"at"` // ms
		See     string `json:"see"`
		Release bool   `json:"release"`
		want    string
	}
	for name, looks := range map[string][]look{
		"a matrix symbol is taken at the next look": {{0, "M1", false, ""}, {100, "", false, "M1"}},
		"a linear one wants two equal reads":        {{0, "L1", false, ""}, {100, "", false, ""}, {200, "L1", false, "L1"}},
		"one linear read alone is nothing":          {{0, "L1", false, ""}, {100, "", false, ""}, {200, "", false, ""}, {300, "", false, ""}, {400, "", false, ""}, {500, "", false, ""}, {600, "", false, ""}, {700, "L1", false, ""}},
		"two different linear reads are no proof":   {{0, "L1", false, ""}, {100, "L2", false, ""}, {200, "", false, ""}},
		"a misread beside the truth delays it":      {{0, "L1", false, ""}, {100, "L2", false, ""}, {200, "L1", false, ""}, {300, "L1", false, ""}, {400, "L1", false, ""}, {500, "L1", false, ""}, {600, "L1", false, ""}, {700, "L1", false, "L1"}},
		"the same for 2 s is one":                   {{0, "M1", false, ""}, {100, "M1", false, "M1"}, {1000, "M1", false, ""}, {2500, "M1", false, ""}, {4000, "M1", false, ""}, {5900, "M1", false, ""}},
		"out of sight for 2 s it counts again":      {{0, "M1", false, ""}, {100, "M1", false, "M1"}, {2200, "M1", false, ""}, {2300, "M1", false, "M1"}},
		"two at once are asked about":               {{0, "M1 M2", false, ""}, {100, "M1 M2", false, "? M1 M2"}, {200, "M1 M2", false, ""}},
		"the second found one look later":           {{0, "M1", false, ""}, {100, "M2", false, ""}, {200, "", false, "? M1 M2"}},
		"a new one beside one that was taken":       {{0, "M1", false, ""}, {100, "M1", false, "M1"}, {200, "M1 M2", false, ""}, {300, "M1 M2", false, "? M1 M2"}},
		"a new one after one that was taken":        {{0, "M1", false, ""}, {100, "M1", false, "M1"}, {200, "M2", false, ""}, {300, "M2", false, "M2"}},
		"a linear one beside a matrix one waits":    {{0, "M1 L2", false, ""}, {100, "M1", false, ""}, {200, "L2", false, "? L2 M1"}},
		"the same data in two symbols are one":      {{0, "M1 L1", false, ""}, {100, "L1", false, "M1"}},
		"GS1 and plain data differ":                 {{0, "M1 G1", false, ""}, {100, "M1 G1", false, "? G1 M1"}},
		"none was meant: asked again after 2 s":     {{0, "M1 M2", false, ""}, {100, "M1 M2", false, "? M1 M2"}, {200, "M1 M2", true, ""}, {2000, "M2", false, ""}, {2300, "M2", false, ""}, {2400, "M2", false, "M2"}},
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
