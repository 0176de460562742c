package app

import (
	"bytes"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

func localKey(t *testing.T, text string) event.Key {
	t.Helper()
	key, err := event.LocalKey(text)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// The printed pages say what the log says, each over its address.
func TestPrintedPagesOfTheLog(t *testing.T) {
	c := openClinic(t)
	if _, err := c.pages.PrintContents(t.Context(), localKey(t, "B-99")); !errors.Is(err, web.ErrNotFound) {
		t.Errorf("a box nobody scanned: %v", err)
	}
	c.crossing()
	c.scan(31, "seal", "B-3", func(s *custodyv1.Scan) { s.By, s.Place, s.Details = "oskar", "FERRY", map[string]string{"seal": "S-7"} })

	got, err := c.pages.PrintContents(t.Context(), localKey(t, "B-3"))
	c.must(err)
	if got.Name != "box B-3" || got.Holder != "oskar" || got.To != "mainland laboratory" || got.Seal != "S-7" || got.Sealed != instant(31) ||
		strings.Join(got.Loggers, " ") != "LG-1" || got.ZoneName != "Europe/Berlin" || got.Seq == 0 || got.Due.Earliest != instant(65) {
		t.Errorf("the box: %+v", got)
	}
	if len(got.Rows) != 2 || got.Rows[0].Key != localKey(t, "TB1") || got.Rows[0].Type != "LIHEP-GEL" || len(got.Rows[0].Tests) != 1 || got.Rows[0].Tests[0].Code != "K" || got.Rows[0].Tests[0].Due.Earliest == 0 {
		t.Errorf("its tubes: %+v", got.Rows)
	}
	carriers, err := c.pages.PrintCarriers(t.Context())
	c.must(err)
	if len(carriers) != 1 || carriers[0].Kind != "box" || carriers[0].Tubes != 2 {
		t.Errorf("carriers: %+v", carriers)
	}
	places, err := c.pages.PrintPlaces(t.Context())
	c.must(err)
	if len(places) != 3 || places[0].Name != "north clinic" || places[0].Zone != "Atlantic/Reykjavik" {
		t.Errorf("places: %+v", places)
	}

	front := web.New(c.pages, web.Options{})
	for _, p := range []struct{ path, want string }{
		{"/print/manifest?carrier=B-3", "2 tubes inside"},
		{"/print/packing?carrier=b-3", "seal S-7 by the log"},
		{"/print/tubes?number=TB1", "LIHEP-GEL"},
		{"/print/carriers?known=all", "Label of Box B-3"},
		{"/print/hatches?number=CLINIC", "Label of north clinic CLINIC"},
		{"/print/downtime?from=DT-001&count=3", "DT-003"},
	} {
		w := httptest.NewRecorder()
		front.ServeHTTP(w, httptest.NewRequest(http.MethodGet, p.path, nil))
		if w.Code != http.StatusOK || !bytes.Contains(w.Body.Bytes(), []byte(p.want)) {
			t.Errorf("%s answers %d without %q", p.path, w.Code, p.want)
		}
	}
}

func TestPrintedLabelsOfARequest(t *testing.T) {
	c := openClinic(t)
	c.scan(-5, "place-request", "R-1", func(s *custodyv1.Scan) { s.Tests, s.Patient = []string{"K"}, "P-7001" })
	c.scan(0, "collect", "TB1", func(s *custodyv1.Scan) { s.Type, s.Tests, s.Request = "LIHEP-GEL", []string{"K"}, "R-1" })
	tubes, err := c.pages.PrintRequest(t.Context(), localKey(t, "R-1"))
	c.must(err)
	if len(tubes) != 1 || tubes[0].Key != localKey(t, "TB1") || tubes[0].Type != "LIHEP-GEL" {
		t.Errorf("tubes of the request: %+v", tubes)
	}
	if _, err := c.pages.PrintRequest(t.Context(), localKey(t, "R-2")); !errors.Is(err, web.ErrNotFound) {
		t.Errorf("a request nobody placed: %v", err)
	}
}
