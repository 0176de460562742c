package event_test

import (
	"testing"

	"specimen.example/custody/internal/event"
)

// Every doubt offers at least one cause to look for, and each has words.
func TestEveryDoubtOffersCauses(t *testing.T) {
	for _, d := range event.Doubts() {
		causes := event.LikelyCauses(d)
		if len(causes) == 0 {
			t.Errorf("%s offers no cause", d)
		}
		for _, c := range causes {
			if c.Say() == "" {
				t.Errorf("%s has no words", c)
			}
		}
	}
}
