package thermal

import (
	"encoding/binary"
	"errors"
	"slices"

	"specimen.example/custody/internal/event"
)

// Copy gives a series of its own with the same readings.
func (s *Series) Copy() *Series {
	c := *s
	c.points = slices.Clone(s.points)
	return &c
}

// Append adds the readings to a text of bytes, each by its difference from the one before:
// three or four bytes a reading. What the series is beside its readings isn't in it.
func (s *Series) Append(to []byte) []byte {
	to = binary.AppendUvarint(to, uint64(len(s.points)))
	var last point
	for _, p := range s.points {
		ok := int64(0)
		if p.ok {
			ok = 1
		}
		to = binary.AppendVarint(to, int64(p.at-last.at))
		to = binary.AppendVarint(to, int64(int(p.low)-int(last.low))<<1|ok)
		to = binary.AppendVarint(to, int64(int(p.high)-int(p.low)))
		last = p
	}
	return to
}

var errSeries = errors.New("thermal: readings are cut short or out of order")

// Read replaces the readings by those that Append gave, and gives what follows them.
func (s *Series) Read(data []byte) (left []byte, err error) {
	n, used := binary.Uvarint(data)
	if used <= 0 || n > uint64(len(data)) {
		return nil, errSeries
	}
	data = data[used:]
	take := func() int64 {
		v, used := binary.Varint(data)
		if used <= 0 {
			err = errSeries
			return 0
		}
		data = data[used:]
		return v
	}
	points := make([]point, 0, n)
	var last point
	for range n {
		var p point
		p.at = last.at + event.Instant(take())
		low := take()
		p.ok = low&1 != 0
		from := int64(last.low) + low>>1
		to := from + take()
		if p.low, p.high = int16(from), int16(to); int64(p.low) != from || int64(p.high) != to || len(points) > 0 && p.at <= last.at { //nolint:gosec // looked at
			err = errSeries
		}
		if err != nil {
			return nil, err
		}
		points = append(points, p)
		last = p
	}
	s.points = points
	return data, nil
}
