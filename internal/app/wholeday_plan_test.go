package app_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/rehearsal"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// heard is one thing that the daemon is told: what is declared, the scans of one sender in
// one call, or a run of readings.
type heard struct {
	at       event.Instant
	declared story.Declared
	scans    []*custodyv1.Scan
	run      *custodyv1.Readings
	values   []event.Reading // of the run
}

// wholeDay is a generated day as the daemon hears of it, with what goes wrong on the
// way there planted: loggers that read into an outage, are read out late or never, are
// moved to another place and told so hours later; phones that come back after hours with
// everything in one call and out of order; steps that nobody makes, and steps that are
// taken back.
type wholeDay struct {
	seed  uint64
	begin event.Instant
	tubes []string
	told  []heard
	sent  map[string]int // scans by id, how often the plan sends them

	offline, late, outages, moved, voided, forgotten int // what was planted
}

const dayLong = event.Instant(24 * time.Hour / time.Millisecond)

func (d *wholeDay) end() event.Instant { return d.begin + dayLong }

// planner makes a whole day.
type planner struct {
	wholeDay
	random  *rand.Rand
	phones  []string // in the order in which they are declared
	loggers map[string]event.Instant
	places  []story.Place // with a logger each
	single  []heard       // one scan each
	steps   map[string][]int
	runs    int
}

// planDay plans a day. It is the same for the same seed and number.
func planDay(t *testing.T, seed uint64, tubes int) *wholeDay {
	t.Helper()
	day, err := rehearsal.Plan(rehearsal.Settings{Seed: seed, Tubes: tubes, Often: 5})
	if err != nil {
		t.Fatal(err)
	}
	p := &planner{
		wholeDay: wholeDay{seed: seed, begin: day.Settings().Day, sent: map[string]int{}},
		random:   rand.New(rand.NewPCG(seed, 24)), //nolint:gosec // a plan, no secret
		loggers:  map[string]event.Instant{}, steps: map[string][]int{},
	}
	for s := range day.Steps() {
		switch {
		case s.Declared != nil:
			p.declare(s.At, s.Declared)
		case s.Scan != nil:
			p.scan(s.At, *s.Scan)
		case s.Logger != "":
			p.deliver(s.At, s.Logger, s.Readings)
		case s.Ended != nil:
			p.tubes = append(p.tubes, s.Ended.Tube)
		}
	}
	p.move()
	p.forget()
	p.goOffline()
	p.takeBack()
	for i := range p.single {
		if len(p.single[i].scans) > 0 {
			p.told = append(p.told, p.single[i])
		}
	}
	slices.SortStableFunc(p.told, func(a, b heard) int { return cmp.Compare(a.at, b.at) })
	p.told = slices.DeleteFunc(p.told, func(one heard) bool { return one.at >= p.end() })
	for _, one := range p.told {
		for _, s := range one.scans {
			p.sent[s.GetId()]++
		}
	}
	return &p.wholeDay
}

// between gives a duration of whole seconds.
func (p *planner) between(low, high time.Duration) time.Duration {
	return low + time.Duration(p.random.Int64N(int64((high-low)/time.Second)+1))*time.Second
}

// one reports whether something happens that happens once in n times.
func (p *planner) one(n int) bool { return p.random.IntN(n) == 0 }

func (p *planner) declare(at event.Instant, what story.Declared) {
	p.told = append(p.told, heard{at: at, declared: what})
	switch what := what.(type) {
	case story.Device:
		if what.Kind == "phone" {
			p.phones = append(p.phones, what.ID)
		}
	case story.Logger:
		p.loggers[what.ID] = at
	case story.Place:
		lab := what.Kind == "reception" || what.Kind == "bench" || what.Kind == "store"
		if lab || p.one(3) {
			p.watch(at, what)
			p.places = append(p.places, what)
		}
	}
}

func (p *planner) scan(at event.Instant, s story.Scan) {
	key := s.Device
	if s.Kind == event.KindTube {
		p.steps[s.Label+" "+s.Step] = append(p.steps[s.Label+" "+s.Step], len(p.single))
	}
	p.steps[key] = append(p.steps[key], len(p.single))
	p.single = append(p.single, heard{at: at, scans: []*custodyv1.Scan{rehearse.Wire(s)}})
}

// placeEvery is the interval of a logger at a place.
const placeEvery = 10 * time.Minute

// watch puts a logger at a place until the end of the day. Once or twice the place goes
// out of what is assumed of it: a fridge that fails, a bench in the sun.
func (p *planner) watch(at event.Instant, place story.Place) {
	logger := story.Logger{ID: "LOG-AT-" + place.ID, Every: placeEvery, Hold: -1, In: place.ID, InKind: event.KindPlace, Uncertainty: 20}
	p.declare(at, logger)
	base, low := (place.Assumed.Low+place.Assumed.High)/2, place.Assumed.Low < 1000
	type trouble struct {
		from, to event.Instant
		by       int
	}
	var troubles []trouble
	for range 1 + p.random.IntN(2) {
		from := at.Add(p.between(0, 15*time.Hour))
		one := trouble{from: from, to: from.Add(p.between(20*time.Minute, 4*time.Hour)), by: 200 + p.random.IntN(1000)}
		if p.one(3) {
			one.by = -one.by / 2
			if low {
				one.by -= 300 // towards ice
			}
		}
		troubles = append(troubles, one)
	}
	var readings []event.Reading
	for now := at; now < p.end(); now = now.Add(placeEvery) {
		c := int(base) + p.random.IntN(41) - 20
		for _, one := range troubles {
			if now >= one.from && now < one.to {
				c += one.by
			}
		}
		readings = append(readings, event.Reading{At: now, C: event.CentiC(c), OK: true}) //nolint:gosec // a few thousand at most
	}
	p.online(logger.ID, readings)
}

// deliver says when the readings of a box's logger come: as the day has it, hours
// later, or by and by, as a logger with a network sends them.
func (p *planner) deliver(at event.Instant, logger string, readings []event.Reading) {
	switch n := p.random.IntN(10); {
	case n < 4:
		p.online(logger, readings)
	case n < 7:
		p.late++
		p.read(at.Add(p.between(time.Hour, 8*time.Hour)), logger, readings)
	default:
		p.read(at, logger, readings)
	}
}

// online sends each reading when it was taken, but for those in an outage: they come
// behind it, in two runs of which the later is sent first, or never.
func (p *planner) online(logger string, readings []event.Reading) {
	if len(readings) == 0 {
		return
	}
	var from, to event.Instant
	if p.random.IntN(3) > 0 {
		from = readings[p.random.IntN(len(readings))].At
		to = from.Add(p.between(20*time.Minute, 200*time.Minute))
	}
	var kept []event.Reading
	for i := range readings {
		if at := readings[i].At; at >= from && at < to {
			kept = append(kept, readings[i])
			continue
		}
		p.read(readings[i].At, logger, readings[i:i+1])
	}
	if len(kept) == 0 {
		return
	}
	p.outages++
	if p.one(5) {
		return
	}
	back := to.Add(p.between(0, 2*time.Hour))
	p.read(back, logger, kept[len(kept)/2:])
	p.read(back.Add(p.between(0, 10*time.Minute)), logger, kept[:len(kept)/2])
}

func (p *planner) read(at event.Instant, logger string, readings []event.Reading) {
	if len(readings) == 0 {
		return
	}
	p.runs++
	at = max(at, p.loggers[logger])
	for _, run := range rehearse.Runs(logger, fmt.Sprintf("run-%d", p.runs), readings) {
		p.told = append(p.told, heard{at: at, run: run, values: readings})
	}
}

// move takes loggers of places to another place and back. Half of that is told hours later.
func (p *planner) move() {
	for i, place := range p.places {
		if !p.one(2) {
			continue
		}
		p.moved++
		logger, other := "LOG-AT-"+place.ID, p.places[(i+1)%len(p.places)]
		away := p.loggers[logger].Add(p.between(30*time.Minute, 10*time.Hour))
		back := away.Add(p.between(20*time.Minute, 3*time.Hour))
		for n, one := range []struct {
			at event.Instant
			to string
		}{{away, other.ID}, {back, place.ID}} {
			late := one.at
			if p.one(2) {
				late = late.Add(p.between(time.Hour, 4*time.Hour))
			}
			s := story.Scan{
				ID: fmt.Sprintf("move-%s-%d", logger, n), Step: "attach", Label: logger, Kind: event.KindLogger, Occurred: one.at, DeviceTime: one.at,
				Mode: event.Reported, By: place.Owner, Details: map[string]string{"in": one.to, "in-kind": string(event.KindPlace)},
			}
			p.single = append(p.single, heard{at: late, scans: []*custodyv1.Scan{rehearse.Wire(s)}})
		}
	}
}

// forget leaves steps out, so that tubes stay open: some are never measured, and half of
// those stay on the bench.
func (p *planner) forget() {
	for _, tube := range p.tubes {
		if !p.one(12) {
			continue
		}
		p.forgotten++
		p.drop(tube + " measure")
		if p.one(2) {
			p.drop(tube + " store")
		}
	}
}

func (p *planner) drop(step string) {
	for _, i := range p.steps[step] {
		p.single[i].scans = nil
	}
}

// takeBack voids steps, a while after they were made.
func (p *planner) takeBack() {
	steps := []string{"receive", "accept", "measure", "store"}
	for _, tube := range p.tubes {
		made := p.steps[tube+" "+steps[p.random.IntN(len(steps))]]
		if !p.one(40) || len(made) == 0 || len(p.single[made[0]].scans) == 0 {
			continue
		}
		p.voided++
		step := p.single[made[0]].scans[0]
		at := p.single[made[0]].at.Add(p.between(time.Minute, 3*time.Hour))
		p.single = append(p.single, heard{at: at, scans: []*custodyv1.Scan{{
			Id: "void-" + step.GetId(), Step: "void", Label: &custodyv1.Label{Text: tube}, OccurredAt: at.String(), By: step.GetBy(), Mode: "live",
			Reason: "wrong-tube", Details: map[string]string{"scan": step.GetId()},
		}}})
	}
}

// goOffline takes phones off the network for hours. What they scan then comes in one
// call, out of order; of some the answer is lost, and all comes again in another order.
func (p *planner) goOffline() {
	for _, phone := range p.phones {
		scans := p.steps[phone]
		if len(scans) == 0 || !p.one(3) {
			continue
		}
		from := p.single[scans[p.random.IntN(len(scans))]].at.Add(-p.between(0, 30*time.Minute))
		to := from.Add(p.between(30*time.Minute, 4*time.Hour))
		back := to.Add(p.between(0, 3*time.Hour))
		var kept []*custodyv1.Scan
		for _, i := range scans {
			one := &p.single[i]
			if one.at < from || one.at >= to {
				continue
			}
			for _, s := range one.scans {
				s.Mode = string(event.Reported)
				kept = append(kept, s)
			}
			one.scans = nil
		}
		if len(kept) == 0 {
			continue
		}
		p.offline++
		p.shuffled(back, kept)
		if p.one(3) {
			p.shuffled(back.Add(p.between(0, 5*time.Minute)), kept)
		}
	}
}

// mostScans is how many scans the API takes in one call.
const mostScans = 500

func (p *planner) shuffled(at event.Instant, scans []*custodyv1.Scan) {
	scans = slices.Clone(scans)
	p.random.Shuffle(len(scans), func(i, j int) { scans[i], scans[j] = scans[j], scans[i] })
	for part := range slices.Chunk(scans, mostScans) {
		p.told = append(p.told, heard{at: at, scans: part})
	}
}
