package rehearsal

import (
	"strconv"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

func (r *round) scanID(id int32) string {
	return r.numbered("day") + "-" + padded(int(id), 4)
}

// of says which site and round a step is of.
func (r *round) of(s Step) Step {
	s.Site, s.Round = r.site.number, r.site.number*len(rounds)+r.no+1
	return s
}

// step writes a mark out. seqs counts the scans of the devices of the laboratory,
// which are always on the network; a phone's were counted when they were made.
func (r *round) step(m *mark, seqs map[string]int64) Step {
	switch m.does {
	case answers:
		return Step{Act: story.Act{At: m.sent}, Answer: m.answer}
	case ends:
		return Step{Act: story.Act{At: m.sent}, Ended: &Ended{Tube: r.id(int(m.tube)), Fate: r.tubes[m.tube].fate}}
	case delivers:
		return Step{Act: story.Act{At: m.sent, Logger: r.loggerID(), Readings: r.readings(), Late: true}}
	}
	s := &story.Scan{ID: r.scanID(m.id), Step: m.verb, Occurred: m.at, DeviceSeq: int64(m.seq), Mode: event.Live}
	if m.sent > m.at {
		s.Mode = event.Reported
	}
	r.actor(m.who, s)
	s.DeviceTime = m.at.Add(r.skew(m.who))
	s.OffsetMs = r.skew(m.who).Milliseconds()
	r.label(m, s)
	r.own(m, s)
	if m.set != nil {
		m.set(s)
	}
	if s.DeviceSeq == 0 {
		seqs[s.Device]++
		s.DeviceSeq = seqs[s.Device]
	}
	return Step{Act: story.Act{At: m.sent, Scan: s}}
}

func (r *round) actor(who actor, s *story.Scan) {
	at := r.site
	switch who {
	case collector:
		s.By, s.Device, s.Place = at.collector(), r.phoneOf(who), at.place()
	case courier:
		s.By, s.Device, s.Place = at.courier(), r.phoneOf(who), at.place()
	case desk:
		s.By, s.Device, s.Place = at.lena(), at.desk(), at.reception()
	case bench:
		s.By, s.Device, s.Place = at.lena(), at.benchDesk(), at.bench()
	}
}

// label says what was scanned: the tube, the draw, or the box.
func (r *round) label(m *mark, s *story.Scan) {
	switch {
	case m.tube >= 0:
		s.Label, s.Kind = r.id(int(m.tube)), event.KindTube
	case m.draw >= 0:
		s.Draw, s.Kind = r.drawID(m.draw), event.KindDraw
	default:
		s.Label, s.Kind = r.box(), event.KindCarrier
	}
}

// own gives what each verb says beside the label.
func (r *round) own(m *mark, s *story.Scan) {
	at := r.site
	switch m.verb {
	case "wristband":
		s.Patient = r.patient(m.draw)
	case "collect":
		t := &r.tubes[m.tube]
		s.Draw, s.Type, s.Request, s.Tests = r.drawID(t.draw), t.kind().kind, r.request(t.draw), t.kind().tests
		s.Details = map[string]string{"volume": strconv.Itoa(t.kind().volume)}
	case "pack":
		s.Carrier = r.box()
	case "seal":
		s.Details = map[string]string{"seal": r.numbered("SEAL")}
	case "release":
		s.To = at.courier()
	case "take":
		s.From = at.collector()
	case "depart":
		s.To = at.reception()
		if at.way == byFoot {
			s.Details = map[string]string{"mode": "walk"}
		}
	case "receive":
		s.From = at.courier()
	case "rack":
		s.Carrier = r.rack(r.tubes[m.tube].kind().serum)
	case "store":
		s.Details = map[string]string{"in": at.store(), "in-kind": string(event.KindPlace)}
	}
}

// skew is how wrong the clock of a person's device is.
func (r *round) skew(who actor) time.Duration {
	if who != collector || r.late && r.offline == who {
		return 0
	}
	return r.site.skew
}

// phoneOf is the phone in somebody's hand on this round.
func (r *round) phoneOf(who actor) string {
	own := r.site.phone()
	if who == courier {
		own = r.site.onRoad()
	}
	if r.late && r.offline == who {
		return own + "-" + strconv.Itoa(r.no+1)
	}
	return own
}
