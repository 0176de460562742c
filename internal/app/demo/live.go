package demo

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/event"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// Pace of the show.
const (
	looksEvery  = 5 * time.Second
	actsEvery   = 20 * time.Second
	readsEvery  = 30 * time.Second
	drawsEvery  = 150 * time.Second
	slowlyEvery = 20 * time.Minute // near the end: something clots at any time, for hours
	takesEvery  = 4 * time.Minute  // a flag is taken
	// mostTubes bounds what Live adds; from quickTubes on it draws slowly.
	mostTubes, quickTubes = 200, 140
	// untouched flags stay open, so that the wall always has some to take.
	untouched = 3
)

// How long things take at the bench.
const (
	spinTakes  = 10 * time.Minute
	clots      = 35 * time.Minute // after the draw; the least that the limits ask is 30 min
	loadsAfter = 3 * time.Minute  // the rack waits for others to come
	fewest     = 2                // fewer tubes don't sail
	analyser   = 4                // tubes that are measured together
	armful     = 3                // tubes that go from reception to the bench together
)

// Live goes on from what Seed told, or from what an earlier demo left in the log:
// readings of the loggers that travel, and about every 20 s one thing that happens.
// It reads the time from now only, so with a clock that stands nothing happens. It
// adds at most 200 tubes and then sends readings alone. It returns nil when ctx
// ends; an error means that the daemon doesn't understand the demo.
func Live(ctx context.Context, conn grpc.ClientConnInterface, now func() time.Time) error {
	s, err := begin(ctx, conn, now)
	if err != nil {
		return ended(ctx, err)
	}
	tick := time.NewTicker(looksEvery)
	defer tick.Stop()
	for {
		if err := s.look(ctx); err != nil {
			return ended(ctx, err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return fmt.Errorf("demo: %w", err)
}

// stage is where a box of the show is.
type stage int

const (
	away    stage = iota // empty, not at the island
	filling              // at GULL-BAY
	sailed               // on the ferry
	landed               // at HARBOUR, with the courier
	driven               // in the van
	opened               // at reception, being emptied
)

// box is a carrier that goes between GULL-BAY and the laboratory.
type box struct {
	id    string
	stage stage
	since time.Time
	due   time.Time // on the way
	tubes []string
	inner []string // carriers inside
}

// vial is a tube at the laboratory.
type vial struct {
	id, kind string
	drawn    time.Time
	since    time.Time // of its last step
	spun     bool
}

// show is what Live knows. It is rebuilt from the API at every start.
type show struct {
	clients
	now    func() time.Time
	zone   *time.Location
	random *rand.Rand

	boxes     []*box
	desk      []vial // received
	bench     []vial // accepted, not yet measured
	spinning  []vial
	spinsTill time.Time
	ferries   []string // timetable of the shuttle

	first, next                        int    // numbers of the tubes that Live adds
	made                               int    // scans so far, for their ids
	run                                string // of this start, for ids
	began                              int64  // device sequences go on from here
	lastAct, lastRead, lastDraw, taken time.Time
}

func begin(ctx context.Context, conn grpc.ClientConnInterface, now func() time.Time) (*show, error) {
	at, err := time.LoadLocation(zone)
	if err != nil {
		return nil, fmt.Errorf("time zone %s: %w; install the time zone data", zone, err)
	}
	start := now()
	s := &show{
		clients: dial(conn), now: now, zone: at, first: len(Tubes()) + 1, lastAct: start, lastDraw: start, taken: start,
		random: rand.New(rand.NewPCG(uint64(start.Unix()), 1)), //nolint:gosec // a show needs no secrets
		run:    start.UTC().Format("0102150405"), began: start.UnixMilli(),
	}
	route, err := s.directory.GetRoute(ctx, &custodyv1.GetEntryRequest{Id: ferryGull})
	if err != nil {
		return nil, fmt.Errorf("timetable of the ferry: %w; seed the demo first", err)
	}
	s.ferries = route.GetDeparts()
	for _, id := range []string{"BOX-4", "BOX-5", "BOX-6"} {
		b, err := s.find(ctx, id, start)
		if err != nil {
			return nil, err
		}
		s.boxes = append(s.boxes, b)
	}
	return s, s.recall(ctx, start)
}

// find reads where a box is.
func (s *show) find(ctx context.Context, id string, start time.Time) (*box, error) {
	c, err := s.tubes.GetContents(ctx, &custodyv1.GetContentsRequest{Id: id})
	if err != nil {
		return nil, fmt.Errorf("box %s: %w", id, err)
	}
	b := &box{id: id, since: start}
	for _, in := range c.GetContents() {
		switch in.GetKind() {
		case string(event.KindTube):
			b.tubes = append(b.tubes, in.GetId())
		case string(event.KindCarrier):
			b.inner = append(b.inner, in.GetId())
		}
	}
	due, err := time.Parse(time.RFC3339Nano, c.GetDueAt())
	switch {
	case err == nil && c.GetTo() == harbour:
		b.stage, b.due = sailed, due
	case err == nil:
		b.stage, b.due = driven, due
	case c.GetPlace() == harbour:
		b.stage = landed
	case c.GetPlace() == reception && len(b.tubes) > 0:
		b.stage = opened
	case len(b.tubes) > 0:
		b.stage = filling
	}
	return b, nil
}

// recall reads which tubes of the demo wait at the laboratory.
func (s *show) recall(ctx context.Context, start time.Time) error {
	keeps := map[string]bool{}
	for _, t := range Tubes() {
		keeps[t.ID] = t.Keeps
	}
	for s.next = 1; s.next < s.first+mostTubes; s.next++ {
		id := tubeID(s.next)
		tube, err := s.tubes.GetTube(ctx, &custodyv1.GetTubeRequest{Id: id})
		if status.Code(err) == codes.NotFound {
			if s.next < s.first {
				continue
			}
			break
		}
		if err != nil {
			return fmt.Errorf("tube %s: %w", id, err)
		}
		if !keeps[id] {
			s.place(tube, start)
		}
	}
	return nil
}

func (s *show) place(tube *custodyv1.Tube, start time.Time) {
	v := vial{id: tube.GetId(), kind: tube.GetType(), since: start}
	var err error
	if v.drawn, err = time.Parse(time.RFC3339Nano, tube.GetCollectedLatest()); err != nil {
		return // never drawn, as far as the log knows
	}
	done := false
	for _, step := range tube.GetTimeline() {
		v.spun = v.spun || slices.Contains(step.GetFacts(), "SpinEnded")
		done = done || slices.Contains(step.GetFacts(), "Measured") || slices.Contains(step.GetFacts(), "Stored")
	}
	switch {
	case done:
	case tube.GetStatus() == "received":
		s.desk = append(s.desk, v)
	case tube.GetStatus() == "accepted":
		s.bench = append(s.bench, v)
	}
}

// look does what is due.
func (s *show) look(ctx context.Context) error {
	now := s.now().In(s.zone).Truncate(time.Millisecond)
	if now.Sub(s.lastRead) >= readsEvery {
		if err := s.read(ctx, now); err != nil {
			return err
		}
		s.lastRead = now
	}
	if now.Sub(s.lastAct) < actsEvery {
		return nil
	}
	s.lastAct = now
	for _, act := range []func(context.Context, time.Time) (bool, error){
		s.move, s.endSpin, s.take, s.draw, s.unload, s.accept, s.spin, s.measure,
	} {
		did, err := act(ctx, now)
		if err = bearable(err); did || err != nil {
			return err
		}
	}
	return nil
}

// bearable leaves the errors that mean the demo itself is wrong. A store that is
// full, a refusal or a slow answer is part of what a demo may meet.
func bearable(err error) error {
	var answer *answerError
	if errors.As(err, &answer) {
		return nil
	}
	switch status.Code(err) {
	case codes.InvalidArgument, codes.Unimplemented, codes.Internal, codes.Unknown:
		return err
	}
	return nil
}

// read sends one value of every logger that travels or watches.
func (s *show) read(ctx context.Context, now time.Time) error {
	req := &custodyv1.RecordReadingsRequest{}
	for i := range loggers {
		l := &loggers[i]
		if !l.live {
			continue
		}
		text := celsius(l.at(0) + s.random.IntN(41) - 20)
		req.Runs = append(req.Runs, &custodyv1.Readings{
			Logger: l.id, Id: fmt.Sprintf("live-%s-%d", s.run, now.UnixMilli()),
			Readings: []*custodyv1.Reading{{At: stamp(now), Celsius: &text}},
		})
	}
	_, err := s.scans.RecordReadings(ctx, req)
	return bearable(err)
}

// scan makes one scan that happens at an instant. Its device sequence also orders
// those of a later run behind it.
func (s *show) scan(now time.Time, p post, step, label string, set func(*custodyv1.Scan)) *custodyv1.Scan {
	s.made++
	scan := newScan(fmt.Sprintf("live-%s-%d", s.run, s.made), p, step, label)
	scan.OccurredAt, scan.DeviceSeq, scan.Mode = stamp(now), s.began+int64(s.made), "live"
	if set != nil {
		set(scan)
	}
	return scan
}

// move takes the boxes a leg further when it is time.
func (s *show) move(ctx context.Context, now time.Time) (bool, error) {
	for _, b := range s.boxes {
		var scans []*custodyv1.Scan
		next := *b
		next.since = now
		earlier := now.Add(-4 * time.Second)
		switch {
		case b.stage == sailed && !now.Before(b.due):
			scans = append(scans, s.scan(earlier, atHarbour, "arrive", b.id, nil), s.scan(now, atHarbour, "take", b.id, from(ferry)))
			next.stage = landed
		case b.stage == landed && now.Sub(b.since) >= time.Minute:
			scans = append(scans, s.scan(now, inVan, "depart", b.id, driving))
			next.stage, next.due = driven, now.Add(vanTakes*time.Minute)
		case b.stage == driven && !now.Before(b.due):
			scans = append(scans, s.scan(now, atReception, "receive", b.id, from(oskar)))
			next.stage = opened
		case b.stage == filling && len(b.tubes) >= fewest && s.calls(b.since, now):
			scans = append(scans, s.scan(earlier, atGull, "release", b.id, aboard), s.scan(now, atGull, "depart", b.id, sailing(ferryGull, harbour)))
			next.stage, next.due = sailed, now.Add(gullTakes*time.Minute)
		default:
			continue
		}
		if err := s.send(ctx, scans); err != nil {
			return true, err
		}
		*b = next
		return true, nil
	}
	return false, nil
}

// calls reports whether the timetable has a sailing between two instants.
func (s *show) calls(after, now time.Time) bool {
	for _, text := range s.ferries {
		t, err := time.Parse("15:04", text)
		if err != nil {
			continue
		}
		at := time.Date(now.Year(), now.Month(), now.Day(), t.Hour(), t.Minute(), 0, 0, s.zone)
		if at.After(after) && !at.After(now) {
			return true
		}
	}
	return false
}

// take lets somebody look after one flag.
func (s *show) take(ctx context.Context, now time.Time) (bool, error) {
	if now.Sub(s.taken) < takesEvery {
		return false, nil
	}
	s.taken = now
	resp, err := s.flags.ListFlags(ctx, &stabilityv1.ListFlagsRequest{State: "open"})
	if err != nil || len(resp.GetFlags()) <= untouched {
		return false, err
	}
	f := resp.Flags[s.random.IntN(len(resp.Flags))]
	s.made++
	_, err = s.flags.TakeFlag(ctx, &stabilityv1.TakeFlagRequest{
		Tube: f.GetTube(), Episode: f.GetEpisode(), By: lena, Id: fmt.Sprintf("live-%s-%d", s.run, s.made),
	})
	return true, err
}

// panels are what is drawn beside the serum tube; all go on for hours, so that the
// flags of the demo stay those that it tells about.
var panels = [][2]string{
	{"LIHEP-GEL", "K CREA CRP"}, {"EDTA", "CBC"}, {"CITRATE", "INR"}, {"LIHEP-GEL", "NA UREA CREA"}, {"FLUORIDE", "GLU"}, {"EDTA", "TNI"},
}

// draw lets mira draw blood at GULL-BAY and pack it at once.
func (s *show) draw(ctx context.Context, now time.Time) (bool, error) {
	made := s.next - s.first
	wait := drawsEvery
	if made >= quickTubes {
		wait = slowlyEvery
	}
	if made >= mostTubes || now.Sub(s.lastDraw) < wait {
		return false, nil
	}
	b := s.toFill()
	if b == nil {
		return false, nil
	}
	with := [][2]string{{"SERUM-GEL", "NA ALB TP"}}
	if made < quickTubes {
		for range 1 + s.random.IntN(2) {
			with = append(with, panels[s.random.IntN(len(panels))])
		}
	}
	name := fmt.Sprintf("DRAW-L%03d", s.next)
	at := now.Add(-16 * time.Second)
	var scans []*custodyv1.Scan
	if b.stage == away {
		scans = append(scans, s.scan(at.Add(-time.Second), atGull, "arrive", b.id, nil))
	}
	scans = append(scans, s.scan(at, atGull, "wristband", "", func(scan *custodyv1.Scan) {
		scan.Patient, scan.Draw, scan.Details = fmt.Sprintf("P-8%03d", s.next), name, map[string]string{"site": "right-arm", "method": "winged"}
	}))
	var ids []string
	for i, w := range with {
		id := tubeID(s.next + i)
		ids = append(ids, id)
		at := at.Add(time.Duration(2*i+2) * time.Second)
		scans = append(scans, s.scan(at, atGull, "collect", id, func(scan *custodyv1.Scan) {
			scan.Draw, scan.Type, scan.Tests = name, w[0], strings.Fields(w[1])
		}))
	}
	scans = append(scans, s.scan(now.Add(-6*time.Second), atGull, "end-draw", "", func(scan *custodyv1.Scan) { scan.Draw = name }))
	for i, id := range ids {
		scans = append(scans, s.scan(now.Add(time.Duration(i-4)*time.Second), atGull, "pack", id, into(b.id)))
	}
	s.lastDraw, s.next = now, s.next+len(ids) // a number is never used twice, saved or not
	if err := s.send(ctx, scans); err != nil {
		return true, err
	}
	if b.stage == away {
		b.stage, b.since = filling, now
	}
	b.tubes = append(b.tubes, ids...)
	return true, nil
}

// toFill is the box that stands open at GULL-BAY, else one that is empty.
func (s *show) toFill() *box {
	for _, want := range []stage{filling, away} {
		for _, b := range s.boxes {
			if b.stage == want {
				return b
			}
		}
	}
	return nil
}

// unload receives one tube out of a box at reception; the last ends the box.
func (s *show) unload(ctx context.Context, now time.Time) (bool, error) {
	for _, b := range s.boxes {
		if b.stage != opened {
			continue
		}
		if len(b.tubes) == 0 {
			scans := []*custodyv1.Scan{}
			for _, in := range b.inner {
				scans = append(scans, s.scan(now.Add(-2*time.Second), atReception, "unpack", in, into(b.id)))
			}
			scans = append(scans, s.scan(now, atReception, "empty", b.id, nil))
			if err := s.send(ctx, scans); err != nil {
				return true, err
			}
			*b = box{id: b.id, since: now}
			return true, nil
		}
		id := b.tubes[0]
		if err := s.send(ctx, []*custodyv1.Scan{s.scan(now, atReception, "receive", id, from(oskar))}); err != nil {
			return true, err
		}
		b.tubes = b.tubes[1:]
		return true, s.arrived(ctx, id, now)
	}
	return false, nil
}

// arrived puts a tube that was received before the bench.
func (s *show) arrived(ctx context.Context, id string, now time.Time) error {
	tube, err := s.tubes.GetTube(ctx, &custodyv1.GetTubeRequest{Id: id})
	if err == nil {
		s.place(tube, now)
	}
	return err
}

// accept takes what waits at reception to the bench, an armful at a time.
func (s *show) accept(ctx context.Context, now time.Time) (bool, error) {
	n := min(len(s.desk), armful)
	if n == 0 {
		return false, nil
	}
	var scans []*custodyv1.Scan
	for i, v := range s.desk[:n] {
		scans = append(scans, s.scan(now.Add(time.Duration(i-n)*2*time.Second), atBench, "accept", v.id, nil))
		v.since = now
		s.bench = append(s.bench, v)
	}
	s.desk = s.desk[n:]
	return true, s.send(ctx, scans)
}

// spin loads the rack with what may be spun and starts it.
func (s *show) spin(ctx context.Context, now time.Time) (bool, error) {
	if len(s.spinning) > 0 {
		return false, nil
	}
	var load, rest []vial
	for _, v := range s.bench {
		if spins(v.kind) && !v.spun && now.Sub(v.since) >= loadsAfter && now.Sub(v.drawn) >= clots {
			load = append(load, v)
		} else {
			rest = append(rest, v)
		}
	}
	if len(load) == 0 {
		return false, nil
	}
	var scans []*custodyv1.Scan
	for i, v := range load {
		at := now.Add(-time.Duration(len(load)-i) * 500 * time.Millisecond)
		scans = append(scans, s.scan(at, atBench, "rack", v.id, into("RACK-L")))
	}
	scans = append(scans, s.scan(now, atSpinOne, "spin", "RACK-L", spinning))
	s.bench, s.spinning, s.spinsTill = rest, load, now.Add(spinTakes)
	return true, s.send(ctx, scans)
}

func (s *show) endSpin(ctx context.Context, now time.Time) (bool, error) {
	if len(s.spinning) == 0 || now.Before(s.spinsTill) {
		return false, nil
	}
	scans := []*custodyv1.Scan{s.scan(now.Add(-time.Second), atSpinOne, "end-spin", "RACK-L", nil)}
	for _, v := range s.spinning {
		scans = append(scans, s.scan(now, atBench, "unpack", v.id, into("RACK-L")))
		v.spun, v.since = true, now
		s.bench = append(s.bench, v)
	}
	s.spinning = nil
	return true, s.send(ctx, scans)
}

// measure runs the tubes that are ready, a few at a time, and puts them into the
// cold store.
func (s *show) measure(ctx context.Context, now time.Time) (bool, error) {
	var scans []*custodyv1.Scan
	var rest []vial
	for _, v := range s.bench {
		if !v.spun && spins(v.kind) || len(scans) == 2*analyser {
			rest = append(rest, v)
			continue
		}
		after := time.Duration(len(scans)) * time.Second
		scans = append(scans,
			s.scan(now.Add(after-9*time.Second), atBench, "measure", v.id, nil),
			s.scan(now.Add(after-8*time.Second), atBench, "store", v.id, func(scan *custodyv1.Scan) {
				scan.Details = map[string]string{"store": storeRoom}
			}))
	}
	s.bench = rest
	return len(scans) > 0, s.send(ctx, scans)
}
