package rehearsal

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Assumption is one thing that a generated day takes for true. Source names where
// it was published, or says that it was assumed.
type Assumption struct {
	What, Value, Source string
}

// Assumptions are all things that the day takes for true, in the order in which they
// bear on it.
func (d *Day) Assumptions() []Assumption {
	often := "as stated"
	if d.settings.Often > 1 {
		often = strconv.Itoa(d.settings.Often) + " times as stated"
	}
	out := []Assumption{
		{"day", fmt.Sprintf("%s, seed %d, %d tubes from %d sites", d.settings.Day.Time().Format(time.DateOnly), d.settings.Seed, d.settings.Tubes, d.sites()), "asked for"},
		{"rates of mistakes", often, "asked for"},
		{"size", fmt.Sprintf("a site for every %d tubes, a laboratory for every %d sites", tubesOfSite, sitesOfLab), noSource},
		{"sites", "of five: two wards in the house, two clinics with a van, one island with ferry and van", noSource},
	}
	var when []string
	for _, r := range rounds {
		when = append(when, fmt.Sprintf("%02d:%02d UTC %d %%", r.minute/60, r.minute%60, r.share))
	}
	out = append(out, Assumption{"rounds and their share of the tubes", strings.Join(when, ", "), noSource},
		Assumption{"ways", fmt.Sprintf("walk %s, van %s, ferry and van %s, each 2 min early to 7 min late; vans and ferries leave %s after a round's planned beginning",
			plain(site{way: byFoot}.takes()), plain(site{way: byVan}.takes()), plain(site{way: byFerry}.takes()), plain(leavesAfter)), noSource})
	for i := range panels {
		p := &panels[i]
		out = append(out, Assumption{"panel " + p.kind, fmt.Sprintf("%d in 100 draws, %d µl, %s", p.share, p.volume, strings.Join(p.tests, " ")), noSource})
	}
	out = append(out,
		Assumption{"urgent draws", share(urgentRate), noSource},
		Assumption{"bench", fmt.Sprintf("spins %s; serum is racked %s after the last draw of its rack or later", plain(spinTakes), plain(clots)), noSource},
		Assumption{"box", "20.2 to 21.6 °C on a quiet round", noSource},
		Assumption{"loggers", fmt.Sprintf("in %d of 100 boxes, every %s, read at the desk; noise up to 0.3 °C, drift up to 0.2 °C a day, clock up to 90 s wrong", max(d.settings.BoxLoggers, 0), plain(loggerEvery)), noSource},
		Assumption{"loggers of places", d.assumedStations(), noSource},
		Assumption{"readings that are missing", share(gapRate), noSource},
		Assumption{"readings that are a fault", share(faultRate), noSource},
		Assumption{"loggers that record nothing for a while", share(d.often(outageRate)) + " of rounds with one for 20 to 60 min, of places on a day for 30 min to 3 h", noSource},
		Assumption{"loggers of places that send late", share(d.often(muteRate)) + " of places on a day, by 1 to 6 h; what they recorded comes then", noSource},
		Assumption{"rounds with a phone without network", share(offlineRate), noSource},
		Assumption{"rounds with a phone that sends late", share(d.often(lateRate)) + " of those without another trouble: a collector's when the box arrives, a courier's 1 to 4 h after", noSource},
		Assumption{"scans sent late that come twice", share(twiceRate), noSource},
		Assumption{"clocks of phones", "up to 2 s wrong; the phone measures its offset when it sends", noSource},
	)
	for _, list := range [][]rate{tubeRates, boxRates, {phoneRate}} {
		for _, one := range list {
			out = append(out, Assumption{string(one.kind), share(d.often(one.parts)) + " of " + one.of + ": " + one.what, one.source})
		}
	}
	return append(out,
		Assumption{"people", "do what the plan says whatever the product tells them: a day is not changed by its flags", "how it is made"},
		Assumption{"mistakes", "at most one on a tube and one on a box of a round; where one can't happen, none does", "how it is made"})
}

// assumedStations says where loggers stay at their places.
func (d *Day) assumedStations() string {
	if !d.settings.Places {
		return "none"
	}
	return fmt.Sprintf("one in each ward, clinic, van, ferry, reception, bench and fridge, every %s, sent every %s", plain(loggerEvery), plain(sendEvery))
}

// share writes parts of a million as a percentage, exactly.
func share(parts int) string {
	whole, rest := parts/10_000, parts%10_000
	if rest == 0 {
		return strconv.Itoa(whole) + " %"
	}
	return strconv.Itoa(whole) + "." + strings.TrimRight(fmt.Sprintf("%04d", rest), "0") + " %"
}

func plain(d time.Duration) string {
	return strings.TrimSuffix(d.String(), "0s")
}
