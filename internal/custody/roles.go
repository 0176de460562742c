package custody

import (
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// Which roles may do a step where people sign in: common practice, no source. A step
// that already happened is recorded whoever did it; the log says who and as what.
var (
	drawing  = []string{event.RoleCollector}
	ordering = []string{event.RoleCollector, event.RoleReception, event.RoleScientist}
	moving   = []string{event.RoleCollector, event.RoleCourier, event.RoleReception, event.RoleScientist}
	atDesk   = []string{event.RoleReception, event.RoleScientist}
	spinning = []string{event.RoleCollector, event.RoleReception, event.RoleScientist} // clinics spin too
	settling = []string{event.RoleReception, event.RoleScientist, event.RoleQuality}
	anybody  = event.Roles()
	loggers  = []string{event.RoleCollector, event.RoleCourier, event.RoleReception, event.RoleScientist, event.RoleEngineer}
)

// overriding may let pass what the rack or a flag stops: the judgement of somebody who
// answers for results.
var overriding = []string{event.RoleScientist}

var whoMay = map[string][]string{
	"prepare": ordering, "place-request": ordering, "cancel-request": ordering, "add-test": ordering, "withdraw-test": ordering,
	"start-draw": drawing, "wristband": drawing, "fail-collection": drawing, "end-draw": drawing, "collect": drawing,
	"ask-sample": atDesk, "decline-sample": ordering, "sample-done": ordering,
	"pack": moving, "unpack": moving, "seal": moving, "open": moving, "empty": moving, "release": moving, "take": moving, "depart": moving,
	"arrive": moving, "see": moving, "attest": moving, "destine": ordering, "redirect": ordering, "note": anybody,
	"receive": atDesk, "accept": atDesk, "reject": atDesk,
	"rack": spinning, "spin": spinning, "end-spin": spinning, "fail-spin": spinning,
	"derive": atDesk, "relabel": atDesk, "reidentify": atDesk, "split": atDesk, "measure": atDesk, "film": atDesk, "incubate": atDesk,
	"end-incubation": atDesk, "issue-result": atDesk, "refer": atDesk, "discard": atDesk,
	"freeze": spinning, "thaw": spinning, "store": spinning, "retrieve": spinning,
	"declare-lost": settling, "find": anybody, "explain": settling, "void": anybody,
	"attach": loggers, "detach": loggers, "calibrate": {event.RoleEngineer, event.RoleQuality},
	"take-flag": moving, "act-flag": moving, "put-aside": moving, "override": overriding,
}

// StepRoles lists the roles that may do a step, and whether there is such a step.
func StepRoles(verb string) ([]string, bool) {
	roles, ok := whoMay[verb]
	return slices.Clone(roles), ok
}

// AsRole gives the role by which somebody with these roles may do a step, "" for none:
// the first of the step's.
func AsRole(verb string, roles []string) string {
	for _, role := range whoMay[verb] {
		if slices.Contains(roles, role) {
			return role
		}
	}
	return ""
}

// refuseRole stops a live step of somebody who may not do it.
func (d *deciding) refuseRole() *Refused {
	s := d.s
	if !s.Asked {
		return nil
	}
	if AsRole(s.Step, s.Roles) == "" {
		return notAllowed("%s here is for: %s; ask one of them, or have your roles at this place changed", s.Step, strings.Join(whoMay[s.Step], ", "))
	}
	if d.detail("override") != "" && !overlap(overriding, s.Roles) {
		return notAllowed("letting it pass is for: %s; ask one of them", strings.Join(overriding, ", "))
	}
	if s.Step == "void" && !overlap(settling, s.Roles) {
		if rec := d.w.Record(d.into, d.detail("scan")); rec != nil && rec.Principal != s.Principal {
			return notAllowed("somebody else recorded this; to take it back ask: %s", strings.Join(settling, ", "))
		}
	}
	return nil
}

func notAllowed(format string, args ...any) *Refused {
	return &Refused{Why: event.RefuseNotAllowed, Say: fmt.Sprintf(format, args...)}
}

func overlap(a, b []string) bool {
	return slices.ContainsFunc(a, func(s string) bool { return slices.Contains(b, s) })
}
