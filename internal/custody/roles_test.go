package custody

import (
	"slices"
	"testing"

	"specimen.example/custody/internal/event"
)

func TestEveryStepSaysWhoMay(t *testing.T) {
	for _, verb := range Verbs() {
		roles, ok := StepRoles(verb)
		if !ok || len(roles) == 0 {
			t.Errorf("%s says nobody may do it", verb)
		}
		for _, role := range roles {
			if !slices.Contains(event.Roles(), role) {
				t.Errorf("%s names the role %q, which is none", verb, role)
			}
		}
	}
	if len(whoMay) != len(steps) {
		t.Errorf("%d steps say who may, of %d", len(whoMay), len(steps))
	}
}

// Every step by every role: stopped live exactly where the table doesn't name it, and
// recorded when it has happened already.
func TestRolesAtEveryStep(t *testing.T) {
	for _, verb := range Verbs() {
		for _, role := range event.Roles() {
			for _, mode := range []event.Mode{event.Live, event.Reported} {
				d := &deciding{w: NewWorld(), s: &Scan{Envelope: event.Envelope{Step: verb, Mode: mode}, Asked: true, Roles: []string{role}}}
				r := d.refuseRole()
				may := slices.Contains(whoMay[verb], role)
				if may != (r == nil) {
					t.Errorf("%s as %s: allowed %t, refused %v", verb, role, may, r)
				}
				if r != nil && r.Why != event.RefuseNotAllowed {
					t.Errorf("%s as %s: refused as %s", verb, role, r.Why)
				}
			}
		}
	}
	nobody := &deciding{w: NewWorld(), s: &Scan{Envelope: event.Envelope{Step: "collect"}}}
	if r := nobody.refuseRole(); r != nil {
		t.Errorf("where nobody signs in: %v", r)
	}
}

// Letting pass what the rack stops is a role of its own.
func TestOverridingIsARole(t *testing.T) {
	for _, role := range event.Roles() {
		d := &deciding{w: NewWorld(), s: &Scan{Envelope: event.Envelope{Step: "rack"}, Asked: true, Roles: []string{role, event.RoleReception}, Details: map[string]string{"override": "irreplaceable"}}}
		if r := d.refuseRole(); (r == nil) != (role == event.RoleScientist) {
			t.Errorf("as %s: %v", role, r)
		}
	}
}
