package live

import (
	"slices"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

var (
	warmReasons = []event.Reason{event.ReasonHeat}
	coldReasons = []event.Reason{event.ReasonCold, event.ReasonFrozen}
	// eitherReasons are about temperature and don't say on which side.
	eitherReasons = []event.Reason{event.ReasonOutsideStudied, event.ReasonNotOnIce, event.ReasonNotKeptWarm}
	blindReasons  = []event.Reason{event.ReasonNoTemperature}
	lateReasons   = []event.Reason{event.ReasonTime, event.ReasonEightyPercent, event.ReasonTimetable, event.ReasonLikelyLate}
)

// causeOf says what a tube's flag comes from: the box it was in when it first stood
// outside the limit's bands (or nothing was known of its temperature), the logger that
// measured it where no box was around it, or the route on which most of its time went.
// None where the journey doesn't tell.
func (m *Model) causeOf(key event.Key, v *View) event.Cause {
	legs := m.tubes[key].look.Journey()
	var at event.Instant
	late := false
	for i := range v.Flag.Tests {
		ft := &v.Flag.Tests[i]
		late = late || overlap(ft.Reasons, lateReasons)
		if from := firstOutside(v, ft); from != 0 && (at == 0 || from < at) {
			at = from
		}
	}
	if at != 0 {
		if c := m.around(legs, at); c.Kind != event.CauseNone {
			return c
		}
	}
	if late {
		return routeOf(legs, v.Now)
	}
	return event.Cause{}
}

// firstOutside is when the tube first stood as the reasons of a flagged test say, 0 for never.
func firstOutside(v *View, ft *event.FlagTest) event.Instant {
	warm, cold := overlap(ft.Reasons, warmReasons), overlap(ft.Reasons, coldReasons)
	if overlap(ft.Reasons, eitherReasons) {
		warm, cold = true, true
	}
	blind := overlap(ft.Reasons, blindReasons)
	low, high := bandsOf(v, ft.Assay)
	for i := range v.Segments {
		s := &v.Segments[i]
		switch {
		case s.Evidence == thermal.Unknown:
			if blind {
				return s.From
			}
		case warm && max(s.High0, s.High1) > high, cold && min(s.Low0, s.Low1) < low:
			return s.From
		}
	}
	return 0
}

// bandsOf is the lowest and the highest temperature that a test's limit speaks of.
func bandsOf(v *View, assay string) (low, high event.CentiC) {
	for i := range v.Tests {
		rule := v.Tests[i].Rule
		if v.Tests[i].Assay != assay || rule == nil || len(rule.Limits) == 0 {
			continue
		}
		low, high = rule.Limits[0].Low, rule.Limits[0].High
		for j := range rule.Limits {
			low, high = min(low, rule.Limits[j].Low), max(high, rule.Limits[j].High)
		}
	}
	return low, high
}

// around names the outermost carrier of a moment, or the logger of its place.
func (m *Model) around(legs []custody.Leg, at event.Instant) event.Cause {
	for i := len(legs) - 1; i >= 0; i-- {
		leg := &legs[i]
		if leg.From > at {
			continue
		}
		if n := len(leg.Carriers); n > 0 {
			return event.Cause{Kind: event.CauseBox, Name: leg.Carriers[n-1].Label()}
		}
		if key, err := event.LocalKey(leg.Place); err == nil {
			for _, a := range m.world.LoggersOf(custody.Target{Kind: event.KindPlace, Key: key}) {
				if a.From <= at && (a.Until == 0 || a.Until > at) {
					return event.Cause{Kind: event.CauseLogger, Name: a.Logger.Label()}
				}
			}
		}
		break
	}
	return event.Cause{}
}

// routeOf names the route on which the tube spent half of its time or more.
func routeOf(legs []custody.Leg, now event.Instant) event.Cause {
	if len(legs) == 0 {
		return event.Cause{}
	}
	spent := map[event.Key]event.Instant{}
	for _, leg := range legs {
		if leg.To == 0 {
			leg.To = max(now, leg.From)
		}
		if leg.Route != "" {
			spent[leg.Route] += leg.To - leg.From
		}
	}
	for route, ms := range spent {
		if 2*ms >= now-legs[0].From {
			return event.Cause{Kind: event.CauseRoute, Name: route.Label()}
		}
	}
	return event.Cause{}
}

func overlap(a, b []event.Reason) bool {
	return slices.ContainsFunc(a, func(r event.Reason) bool { return slices.Contains(b, r) })
}
