package custody

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
)

// However routes are described, changed and ended, the shortest ways are those that
// Floyd's algorithm finds over the routes that stand (Communications of the ACM 5
// (1962) 345), and every place whose ways changed is named.
func TestLawShortestWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := newWays()
		stand := map[event.Key]Route{}
		for range rapid.IntRange(1, 25).Draw(t, "descriptions") {
			key := event.Key(fmt.Sprint("L-R", rapid.IntRange(0, 9).Draw(t, "route")))
			place := rapid.SampledFrom([]string{"A", "B", "C", "D", "E", "F", ""})
			r := Route{Key: key, RouteDescribed: event.RouteDescribed{From: place.Draw(t, "from"), To: place.Draw(t, "to"), TakesMin: rapid.Int64Range(0, 60).Draw(t, "takes")}}
			before := floyd(stand)
			named := map[string]bool{}
			for _, p := range v.describe(key, r, true) {
				named[p] = true
			}
			if stand[key] = r; r.From == "" || r.To == "" || r.From == r.To || r.TakesMin == 0 {
				delete(stand, key)
			}
			now := floyd(stand)
			for _, a := range []string{"A", "B", "C", "D", "E", "F"} {
				for _, b := range []string{"A", "B", "C", "D", "E", "F"} {
					pair := [2]string{a, b}
					if got := v.minutes[a][b]; got != now[pair] {
						t.Fatalf("from %s to %s: %d min, Floyd finds %d", a, b, got, now[pair])
					}
					if before[pair] != now[pair] && !named[a] {
						t.Fatalf("the way from %s to %s went from %d to %d min, and %s was not named", a, b, before[pair], now[pair], a)
					}
				}
			}
		}
		from := 0
		for place, list := range v.from {
			for _, r := range list {
				if from++; stand[r.Key].To != r.To || stand[r.Key].TakesMin != r.TakesMin || r.From != place {
					t.Fatalf("%+v is kept at %s", r, place)
				}
			}
		}
		if from != len(stand) {
			t.Fatalf("%d routes are kept, %d stand", from, len(stand))
		}
	})
}

func floyd(routes map[event.Key]Route) map[[2]string]int64 {
	all := map[[2]string]int64{}
	lower := func(a, b string, minutes int64) {
		if known := all[[2]string{a, b}]; a != b && (known == 0 || minutes < known) {
			all[[2]string{a, b}] = minutes
		}
	}
	places := map[string]bool{}
	for _, r := range routes {
		lower(r.From, r.To, r.TakesMin)
		lower(r.To, r.From, r.TakesMin)
		places[r.From], places[r.To] = true, true
	}
	for via := range places {
		for a := range places {
			for b := range places {
				first, last := all[[2]string{a, via}], all[[2]string{via, b}]
				if first > 0 && last > 0 {
					lower(a, b, first+last)
				}
			}
		}
	}
	return all
}
