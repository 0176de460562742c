package notify

import (
	"testing"

	"specimen.example/custody/internal/event"
)

func TestEveryWordCanBeTold(t *testing.T) {
	for _, v := range event.Verdicts() {
		if verdictWords[v] == "" {
			t.Errorf("verdict %s has no words", v)
		}
	}
	for _, a := range event.Actions() {
		if actionWords[a] == "" {
			t.Errorf("action %s has no words", a)
		}
	}
	for _, r := range event.Reasons() {
		if reasonWords[r] == "" {
			t.Errorf("reason %s has no words", r)
		}
	}
}
