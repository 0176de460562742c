package web

import (
	"fmt"

	"specimen.example/custody/internal/event"
)

// HouseOutside is a receiver of messages outside the screens, and how it stands.
type HouseOutside struct {
	Name    string
	Waiting int           // tubes that it should have been told of by now
	Since   event.Instant // since when the first of them waits
	GivenUp int64         // messages that it refused for a day
	Last    string        // why the last try failed, empty when it didn't or another process tries
}

// outside says of each receiver what waits for it. Nothing waiting is said without a
// mark: that a message was taken isn't that anybody has read it.
func (h *House) outside() []houseLack {
	var out []houseLack
	c := clockOf(h.Now, h.Zone)
	for _, o := range h.Outside {
		line := houseLack{Say: o.Name, Do: "nothing waits", Mark: levelQuiet}
		if o.Waiting > 0 {
			line.Mark = levelSoon
			line.Do = count(o.Waiting, "tube waits", "tubes wait") + " since " + c.at(o.Since) + "; the screens show them"
		}
		if o.Last != "" {
			line.Do += "; the last try failed: " + o.Last
		}
		if o.GivenUp > 0 {
			line.Mark = levelSoon
			line.Do += fmt.Sprintf("; %s refused for a day and given up", count(int(o.GivenUp), "message was", "messages were"))
		}
		out = append(out, line)
	}
	return out
}
