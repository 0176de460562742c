package rehearsal

import (
	"slices"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/story"
)

// shortMark is a mark that waits to be told. At noon of a large day millions wait, so
// times are ms since the round began, and what few marks have stands beside them.
type shortMark struct {
	sent, at   int32
	tube, draw int16 // -1 for none
	id, seq    int16
	special    int16 // of the round, -1 for none
	verb       uint8 // of verbs
	who        actor
	does       doing
}

// special is what few marks have.
type special struct {
	set    func(*story.Scan)
	answer *Answer
}

// verbs are the steps of a day.
var verbs = []string{"", "wristband", "collect", "end-draw", "pack", "seal", "release", "take", "depart", "arrive", "receive", "reject", "empty",
	"find", "discard", "accept", "rack", "spin", "end-spin", "measure", "store"}

// shorten puts the marks by until they are told.
func (r *round) shorten() {
	r.short = make([]shortMark, len(r.marks))
	for i := range r.marks {
		m := &r.marks[i]
		short := shortMark{
			sent: int32(m.sent - r.from), at: int32(m.at - r.from), //nolint:gosec // a round is over within two days
			tube: int16(m.tube), draw: int16(m.draw), id: int16(m.id), seq: int16(m.seq), //nolint:gosec // a round has few tubes, draws and scans
			special: -1, verb: uint8(slices.Index(verbs, m.verb)), who: m.who, does: m.does, //nolint:gosec // there are few verbs
		}
		if m.set != nil || m.answer != nil {
			short.special = int16(len(r.special)) //nolint:gosec // a round has few marks
			r.special = append(r.special, special{m.set, m.answer})
		}
		r.short[i] = short
	}
}

// told gives back a mark that was put by.
func (r *round) told(i int) mark {
	s := &r.short[i]
	m := mark{
		sent: r.from + event.Instant(s.sent), at: r.from + event.Instant(s.at), verb: verbs[s.verb],
		tube: int32(s.tube), draw: int32(s.draw), id: int32(s.id), seq: int32(s.seq), who: s.who, does: s.does,
	}
	if s.special >= 0 {
		m.set, m.answer = r.special[s.special].set, r.special[s.special].answer
	}
	return m
}

// nextAt is when the server hears of the round next.
func (r *round) nextAt() event.Instant { return r.from + event.Instant(r.short[r.next].sent) }
