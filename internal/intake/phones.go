package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// Phone is how a phone stands, by its own word. It is no fact: nothing is judged by it,
// and only the last word counts.
type Phone struct {
	Device        string        `json:"device"`
	Waiting       int64         `json:"waiting"`          // scans that it has not sent
	Oldest        event.Instant `json:"oldest,omitempty"` // when the oldest of them was made
	DeviceSeq     int64         `json:"deviceSeq,omitempty"`
	App           string        `json:"app,omitempty"`
	Place         string        `json:"place,omitempty"`
	By            string        `json:"by,omitempty"`
	Lasting       bool          `json:"lasting,omitempty"` // the browser promised to keep what it stores
	OffsetMs      int64         `json:"offsetMs,omitempty"`
	UncertaintyMs int64         `json:"uncertaintyMs,omitempty"`
	Seen          event.Instant `json:"seen"` // when it was heard of, by our clock
}

// phoneEvery is how often the word of a phone whose queue stays as it was is written down
// anew: each is a flush of the disk.
const phoneEvery = time.Minute

// TellPhone keeps how a phone stands. What it said before is replaced.
func (d *Desk) TellPhone(ctx context.Context, p Phone) (Phone, error) {
	key, err := event.LocalKey(p.Device)
	if err != nil {
		return p, fieldError("device", "%v", err)
	}
	p.Device, p.Seen = key.Label(), d.now()
	shelf := d.log.Shelf(eventlog.ShelfPhones)
	for range attempts {
		was, revision, err := phoneAt(ctx, shelf, key)
		if err != nil {
			return p, err
		}
		same := was
		same.Seen, same.DeviceSeq, same.OffsetMs, same.UncertaintyMs = p.Seen, p.DeviceSeq, p.OffsetMs, p.UncertaintyMs
		if same == p && p.Seen.Sub(was.Seen) < phoneEvery && p.Seen >= was.Seen {
			return was, nil
		}
		data, err := json.Marshal(p)
		if err != nil {
			return p, fmt.Errorf("intake: a phone's state: %w", err)
		}
		if _, err = shelf.Put(ctx, string(key), data, revision); !errors.Is(err, eventlog.ErrConflict) {
			return p, err
		}
	}
	return p, eventlog.ErrConflict
}

func phoneAt(ctx context.Context, shelf eventlog.Shelf, key event.Key) (Phone, uint64, error) {
	data, revision, err := shelf.Get(ctx, string(key))
	if errors.Is(err, eventlog.ErrAbsent) {
		return Phone{}, revision, nil
	}
	if err != nil {
		return Phone{}, 0, err
	}
	var p Phone
	if err := json.Unmarshal(data, &p); err != nil {
		return Phone{}, revision, nil //nolint:nilerr // what can't be read is replaced by the next word
	}
	return p, revision, nil
}

// Phones lists what each phone said last, by device.
func (d *Desk) Phones(ctx context.Context) ([]Phone, error) {
	var out []Phone
	err := d.log.Shelf(eventlog.ShelfPhones).Each(ctx, func(it eventlog.Item) error {
		var p Phone
		if len(it.Data) > 0 && json.Unmarshal(it.Data, &p) == nil {
			out = append(out, p)
		}
		return nil
	})
	slices.SortFunc(out, func(a, b Phone) int { return strings.Compare(a.Device, b.Device) })
	return out, err
}
