package wire

import (
	"fmt"
	"hash/maphash"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// Reader reads decisions for somebody who reads many. A start reads a whole log, and the
// generated message would be a second copy of every text, so the form that Decision gives
// is read here by hand; any other form that the protocol allows is read by the generated
// code, which also says what is wrong. Texts that many decisions carry (places, people,
// verbs) are one copy each. It is not safe for concurrent use.
type Reader struct {
	words []string // the last text of each hash; none: nothing is shared
	seed  maphash.Seed
}

// NewReader gives a reader that has seen nothing.
func NewReader() *Reader {
	return &Reader{words: make([]string, 1<<wordBits), seed: maphash.MakeSeed()}
}

// ReadDecision reads what Decision wrote, in this version or an earlier one.
func ReadDecision(data []byte) (event.Decision, error) { return (&Reader{}).Decision(data) }

const (
	wordBits = 12 // a phone's day has some dozens, a region some thousands
	longWord = 64 // the hash of a rule set; longer texts are told once
)

// Decision is ReadDecision with what this reader has seen.
func (r *Reader) Decision(data []byte) (event.Decision, error) {
	var d event.Decision
	err := r.Read(data, &d)
	return d, err
}

// Read is Decision into a value that says nothing yet; after an error it says nothing.
func (r *Reader) Read(data []byte, d *event.Decision) (err error) {
	schema, ok := r.decision(data, d)
	switch {
	case !ok:
		*d, err = readAnyDecision(data)
	case schema < 1 || schema > Schema:
		err = newerDecision(d.ID, schema)
		*d = event.Decision{}
	}
	return err
}

func newerDecision(id string, schema int32) error {
	return fmt.Errorf("wire: decision %s has schema %d; this program reads 1 to %d", id, schema, Schema)
}

// Field numbers below are those of proto/event/v1, in the order of its messages.

// cursor walks the fields of a message in the order in which they are written.
type cursor struct {
	rest   []byte
	field  protowire.Number
	text   bool   // body holds; else number does
	number uint64 // of a varint
	body   []byte // within rest
	odd    bool   // another form than the writer's
}

// next moves to the next field and reports whether there is one of the writer's form:
// ascending, the same number twice only where repeated allows it.
func (c *cursor) next(repeated uint64) bool {
	if len(c.rest) == 0 || c.odd {
		return false
	}
	field, kind, size := protowire.ConsumeTag(c.rest)
	if size < 0 || field < c.field || field == c.field && (field > 63 || repeated&(1<<uint(field)) == 0) { //nolint:gosec // a field's number is positive
		c.odd = true
		return false
	}
	c.field, c.rest = field, c.rest[size:]
	switch kind {
	case protowire.VarintType:
		c.text = false
		c.number, size = protowire.ConsumeVarint(c.rest)
	case protowire.BytesType:
		c.text = true
		c.body, size = protowire.ConsumeBytes(c.rest)
	default:
		size = -1
	}
	if size < 0 {
		c.odd = true
		return false
	}
	c.rest = c.rest[size:]
	return true
}

// bits is the set of fields of a message that may stand more than once.
func bits(fields ...uint) (set uint64) {
	for _, f := range fields {
		set |= 1 << f
	}
	return set
}

// int gives a number; a text in its place is another form.
func (c *cursor) int() int64 {
	c.odd = c.odd || c.text
	return int64(c.number) //nolint:gosec // as int64 is stored
}

func (c *cursor) instant() event.Instant { return event.Instant(c.int()) }

func (c *cursor) bool() bool {
	c.odd = c.odd || c.number > 1
	return c.int() != 0
}

// bytes gives bytes of their own. The writer leaves empty ones out.
func (c *cursor) bytes() []byte {
	if !c.text || len(c.body) == 0 {
		c.odd = true
		return nil
	}
	return append([]byte(nil), c.body...)
}

// string gives a text that hardly another decision carries.
func (c *cursor) string() string {
	if !c.text || !utf8.Valid(c.body) {
		c.odd = true
		return ""
	}
	return string(c.body)
}

// word gives a text that many carry.
func (r *Reader) word(c *cursor) string {
	if !c.text || len(c.body) == 0 || len(c.body) > longWord || r.words == nil {
		return c.string()
	}
	known := &r.words[maphash.Bytes(r.seed, c.body)>>(64-wordBits)]
	if *known != string(c.body) {
		s := c.string()
		if c.odd {
			return ""
		}
		*known = s
	}
	return *known
}

func (r *Reader) key(c *cursor) event.Key { return event.Key(r.word(c)) }

var repeatedInDecision = bits(28, 40)

// decision reads into d; not ok: it is of another form.
func (r *Reader) decision(data []byte, d *event.Decision) (schema int32, ok bool) {
	c := cursor{rest: data}
	for c.next(repeatedInDecision) {
		switch c.field {
		case 1:
			schema = int32(c.int()) //nolint:gosec // an int32
		case 2:
			d.ID = c.string()
		case 3:
			d.Kind = event.Kind(r.word(&c))
		case 4:
			d.Key = event.Key(c.string())
		case 5:
			d.Digest = c.bytes()
		case 6:
			d.Occurred = c.instant()
		case 7:
			d.DeviceTime = c.instant()
		case 8:
			d.OffsetMs = c.int()
		case 9:
			d.UncertaintyMs = c.int()
		case 10:
			d.MonotonicMs = c.int()
		case 11:
			d.BootID = r.word(&c)
		case 12:
			d.TimeSource = r.word(&c)
		case 13:
			d.ZoneOffsetMin = int32(c.int()) //nolint:gosec // an int32
		case 14:
			d.Typed = c.instant()
		case 15:
			d.Recorded = c.instant()
		case 16:
			d.Actor = r.word(&c)
		case 17:
			d.OnBehalf = r.word(&c)
		case 18:
			d.Witness = r.word(&c)
		case 19:
			d.Principal = r.word(&c)
		case 20:
			d.Role = r.word(&c)
		case 21:
			d.Device = r.word(&c)
		case 22:
			d.DeviceSeq = c.int()
		case 23:
			d.Place = r.word(&c)
		case 24:
			d.Mode = event.Mode(r.word(&c))
		case 25:
			d.How = r.word(&c)
		case 26:
			d.App = r.word(&c)
		case 27:
			d.Import = r.word(&c)
		case 28:
			d.Causes = append(d.Causes, c.string())
		case 29:
			d.Attested = c.bytes()
		case 30:
			d.KeyID = r.word(&c)
		case 31:
			d.Signature = c.bytes()
		case 32:
			d.Step = r.word(&c)
		case 40:
			f := r.fact(&c)
			if f == nil {
				return 0, false
			}
			d.Facts = append(d.Facts, f)
		default:
			return 0, false // what a later version added is skipped by the generated code
		}
	}
	if d.Facts == nil {
		d.Facts = []event.Fact{}
	}
	return schema, !c.odd
}

// fact reads one fact; nil: not of the writer's form, or unknown.
func (r *Reader) fact(outer *cursor) event.Fact {
	if !outer.text {
		return nil
	}
	one := cursor{rest: outer.body}
	if !one.next(0) || !one.text || len(one.rest) > 0 {
		return nil
	}
	c := cursor{rest: one.body}
	if f := r.frequent(one.field, &c); f != nil {
		if c.odd || len(c.rest) > 0 {
			return nil
		}
		return f
	}
	var p eventv1.Fact
	if err := proto.Unmarshal(outer.body, &p); err != nil {
		return nil
	}
	return factFromProto(&p)
}

// frequent reads the facts of which a log is full; nil: another one. What it leaves of c
// is of another form.
func (r *Reader) frequent(number protowire.Number, c *cursor) event.Fact { //nolint:gocyclo // a case a fact
	switch number {
	case 1:
		var f event.RequestPlaced
		for c.next(bits(2, 4)) {
			switch c.field {
			case 1:
				f.Patient = c.string()
			case 2:
				f.Tests = append(f.Tests, r.word(c))
			case 3:
				f.Priority = r.word(c)
			case 4:
				f.Conditions = append(f.Conditions, r.word(c))
			case 5:
				f.Destination = r.word(c)
			case 6:
				f.Irreplaceable = c.bool()
			default:
				c.odd = true
			}
		}
		return f
	case 5:
		var f event.TubeAssigned
		for c.next(bits(3)) {
			switch c.field {
			case 1:
				f.Tube = event.Key(c.string())
			case 2:
				f.Type = r.word(c)
			case 3:
				f.Tests = append(f.Tests, r.word(c))
			default:
				c.odd = true
			}
		}
		return f
	case 10:
		var f event.DrawStarted
		for c.next(bits(4)) {
			switch c.field {
			case 1:
				f.Patient = c.string()
			case 2:
				f.Site = r.word(c)
			case 3:
				f.Method = r.word(c)
			case 4:
				f.Checks = append(f.Checks, r.word(c))
			case 5:
				f.Meant = c.string()
			default:
				c.odd = true
			}
		}
		return f
	case 21:
		var f event.Collected
		for c.next(bits(5)) {
			switch c.field {
			case 1:
				f.Type = r.word(c)
			case 2:
				f.Patient = c.string()
			case 3:
				f.Draw = r.key(c)
			case 4:
				f.Request = r.key(c)
			case 5:
				f.Tests = append(f.Tests, r.word(c))
			case 6:
				f.VolumeUl = c.int()
			case 7:
				f.Lot = r.word(c)
			case 8:
				f.Expiry = r.word(c)
			default:
				c.odd = true
			}
		}
		return f
	case 22:
		return event.Packed{Carrier: event.Key(r.only(c))}
	case 23:
		return event.Unpacked{Carrier: event.Key(r.only(c))}
	case 24:
		var f event.Released
		for c.next(0) {
			switch c.field {
			case 1:
				f.To = r.word(c)
			case 2:
				f.Mode = r.word(c)
			case 3:
				f.Count = c.int()
			case 4:
				f.Seal = c.string()
			default:
				c.odd = true
			}
		}
		return f
	case 25:
		var f event.TakenOver
		for c.next(0) {
			switch c.field {
			case 1:
				f.From = r.word(c)
			case 2:
				f.Mode = r.word(c)
			case 3:
				f.Count = c.int()
			case 4:
				f.Seal = c.string()
			case 5:
				f.Condition = r.word(c)
			default:
				c.odd = true
			}
		}
		return f
	case 26:
		return event.Seen{}
	case 29:
		var f event.Received
		for c.next(0) {
			switch c.field {
			case 1:
				f.From = r.word(c)
			case 2:
				f.Condition = r.word(c)
			case 3:
				f.Type = r.word(c)
			case 4:
				f.Carrier = r.key(c)
			default:
				c.odd = true
			}
		}
		return f
	case 30:
		return event.AcceptedForTesting{}
	case 35:
		var f event.SpinStarted
		for c.next(0) {
			switch c.field {
			case 1:
				f.Load = r.key(c)
			case 2:
				f.Programme = r.word(c)
			case 3:
				f.G = c.int()
			case 4:
				f.Minutes = c.int()
			default:
				c.odd = true
			}
		}
		return f
	case 36:
		return event.SpinEnded{Load: event.Key(r.only(c))}
	case 39:
		var f event.Measured
		for c.next(bits(2)) {
			switch c.field {
			case 1:
				f.What = r.word(c)
			case 2:
				f.Tests = append(f.Tests, r.word(c))
			default:
				c.odd = true
			}
		}
		return f
	case 45:
		return event.Stored{Place: r.only(c)}
	case 46:
		return event.Retrieved{Place: r.only(c)}
	case 52:
		var f event.ResultIssued
		for c.next(bits(1)) {
			if c.field != 1 {
				c.odd = true
			}
			f.Tests = append(f.Tests, r.word(c))
		}
		return f
	case 60, 61:
		flag, ok := r.flagOnly(c)
		if c.odd = c.odd || !ok; number == 60 {
			return event.FlagRaised{Flag: flag}
		}
		return event.FlagChanged{Flag: flag}
	case 73:
		return event.Arrived{}
	default:
		return nil
	}
}

// only reads the one text of a message that has no other field.
func (r *Reader) only(c *cursor) (s string) {
	for c.next(0) {
		if c.field != 1 {
			c.odd = true
		}
		s = r.word(c)
	}
	return s
}

// flagOnly reads the flag of a message that has no other field.
func (r *Reader) flagOnly(c *cursor) (f event.Flag, ok bool) {
	if !c.next(0) || c.field != 1 || !c.text || len(c.rest) > 0 {
		return f, false
	}
	in := cursor{rest: c.body}
	for in.next(bits(5)) {
		switch in.field {
		case 1:
			f.Episode = in.int()
		case 2:
			f.Kind = event.FlagKind(r.word(&in))
		case 3:
			f.Verdict = event.Verdict(r.word(&in))
		case 4:
			f.Action = event.Action(r.word(&in))
		case 5:
			t, ok := r.flagTest(&in)
			if !ok {
				return f, false
			}
			f.Tests = append(f.Tests, t)
		case 6:
			f.Rules = r.word(&in)
		case 7:
			f.Until = in.instant()
		case 8:
			f.Cause.Kind = event.CauseKind(r.word(&in))
		case 9:
			f.Cause.Name = r.word(&in)
		default:
			in.odd = true
		}
	}
	return f, !in.odd
}

func (r *Reader) flagTest(outer *cursor) (t event.FlagTest, ok bool) {
	if !outer.text {
		return t, false
	}
	c := cursor{rest: outer.body}
	for c.next(bits(4)) {
		switch c.field {
		case 1:
			t.Assay = r.word(&c)
		case 2:
			t.Verdict = event.Verdict(r.word(&c))
		case 3:
			t.Outlook = event.Outlook(r.word(&c))
		case 4:
			t.Reasons = append(t.Reasons, event.Reason(r.word(&c)))
		case 5:
			t.Direction = event.Direction(r.word(&c))
		case 6:
			t.Rule = r.word(&c)
		default:
			c.odd = true
		}
	}
	return t, !c.odd
}
