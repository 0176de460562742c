package web_test

import (
	"bytes"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web"
)

// A tube that was not found is not said to be held by anybody, until that is settled.
func TestAMissingTubeIsHeldByNobody(t *testing.T) {
	page := web.TubePage{ID: "TB1", Holder: "reception", Place: "reception", Now: 1_000_000, Doubts: []web.DoubtRow{
		{ID: "a", Doubt: event.DoubtMissing, Since: 900_000, Likely: event.LikelyCauses(event.DoubtMissing)},
	}}
	text := func() string {
		t.Helper()
		var out bytes.Buffer
		if err := page.Render(&out, web.Site{}); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	for _, want := range []string{"Not found; last with reception.", "Look first: it was left where it came from; or "} {
		if got := text(); !strings.Contains(got, want) {
			t.Errorf("%q is not said", want)
		}
	}
	page.Doubts[0].Closed, page.Doubts[0].By, page.Doubts[0].Reason = 950_000, "lena", "explained"
	if got := text(); !strings.Contains(got, "Held by reception.") || !strings.Contains(got, "settled by lena: explained") {
		t.Error("a doubt that was settled still says that it is missing, or not by whom it was settled")
	}
}
