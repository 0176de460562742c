package thermal

import (
	"testing"

	"specimen.example/custody/internal/event"
)

func TestBeforeAfterAndNewest(t *testing.T) {
	var s Series
	if at, ok := s.Newest(); ok {
		t.Errorf("an empty series has a newest point: %d", at)
	}
	s.Add(event.Reading{At: 30, C: 400, OK: true}, event.Reading{At: 10, C: 400, OK: true}, event.Reading{At: 40})
	if at, ok := s.Newest(); !ok || at != 40 {
		t.Errorf("Newest: %d %v; a fault counts too", at, ok)
	}
	for _, c := range []struct {
		at, want event.Instant
		ok       bool
	}{{9, 10, true}, {10, 30, true}, {39, 40, true}, {40, 0, false}} {
		if at, ok := s.After(c.at); at != c.want || ok != c.ok {
			t.Errorf("After(%d): %d %v, want %d %v", c.at, at, ok, c.want, c.ok)
		}
	}
	for _, c := range []struct {
		at, want event.Instant
		ok       bool
	}{{10, 0, false}, {11, 10, true}, {30, 10, true}, {31, 30, true}, {40, 30, true}, {99, 40, true}} {
		if at, ok := s.Before(c.at); at != c.want || ok != c.ok {
			t.Errorf("Before(%d): %d %v, want %d %v", c.at, at, ok, c.want, c.ok)
		}
	}
}
