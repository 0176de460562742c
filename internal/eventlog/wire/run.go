package wire

import (
	"errors"
	"fmt"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// Numbers of the fields of eventv1.Readings. Runs are most of a log, and a start reads
// them all, so they are written and read here by hand: the generated message would be
// a second copy of every value. What is not of the form that Run gives is read by the
// generated code; the tests hold both beside each other.
const (
	runSchema   = 1
	runLogger   = 2
	runID       = 3
	runStart    = 4
	runEvery    = 5
	runInstants = 6
	runValues   = 7
	runPresent  = 8
	runRaw      = 9
	runRecorded = 10
	runDevice   = 11
	runImport   = 12
)

// Run gives the stored bytes of a run of readings. A regular run is stored as
// start and interval; any other keeps each instant.
func Run(r *event.Run) ([]byte, error) {
	n := len(r.Readings)
	every, regular := regularInterval(r.Readings)
	values, instants, raw := 0, 0, 0
	text := false
	for i := range r.Readings {
		v := &r.Readings[i]
		values += protowire.SizeVarint(protowire.EncodeZigZag(valueOf(v)))
		if !regular {
			instants += protowire.SizeVarint(uint64(v.At)) //nolint:gosec // as int64 is stored
		}
		text = text || v.Raw != ""
		raw += 1 + protowire.SizeBytes(len(v.Raw))
		if !utf8.ValidString(v.Raw) {
			return nil, fmt.Errorf("wire: readings %s: the text of value %d is no UTF-8", r.ID, i)
		}
	}
	if !text {
		raw = 0
	}
	for _, s := range []string{string(r.Logger), r.ID, r.Device, r.Import} {
		if !utf8.ValidString(s) {
			return nil, fmt.Errorf("wire: readings %q: a name is no UTF-8", r.ID)
		}
	}
	b := make([]byte, 0, 64+len(r.Logger)+len(r.ID)+len(r.Device)+len(r.Import)+values+instants+n+raw)
	b = appendInt(b, runSchema, Schema)
	b = appendText(b, runLogger, string(r.Logger))
	b = appendText(b, runID, r.ID)
	if regular && n > 0 {
		b = appendInt(b, runStart, int64(r.Readings[0].At))
		b = appendInt(b, runEvery, every)
	}
	if instants > 0 {
		b = protowire.AppendTag(b, runInstants, protowire.BytesType)
		b = protowire.AppendVarint(b, uint64(instants)) //nolint:gosec // a size
		for i := range r.Readings {
			b = protowire.AppendVarint(b, uint64(r.Readings[i].At)) //nolint:gosec // as int64 is stored
		}
	}
	if n > 0 {
		b = protowire.AppendTag(b, runValues, protowire.BytesType)
		b = protowire.AppendVarint(b, uint64(values)) //nolint:gosec // a size
		for i := range r.Readings {
			b = protowire.AppendVarint(b, protowire.EncodeZigZag(valueOf(&r.Readings[i])))
		}
		b = protowire.AppendTag(b, runPresent, protowire.BytesType)
		b = protowire.AppendVarint(b, uint64(n)) //nolint:gosec // a size
		for i := range r.Readings {
			b = append(b, byte(protowire.EncodeBool(r.Readings[i].OK))) //nolint:gosec // 0 or 1
		}
	}
	if text {
		for i := range r.Readings {
			b = protowire.AppendTag(b, runRaw, protowire.BytesType)
			b = protowire.AppendString(b, r.Readings[i].Raw)
		}
	}
	b = appendInt(b, runRecorded, int64(r.Recorded))
	b = appendText(b, runDevice, r.Device)
	return appendText(b, runImport, r.Import), nil
}

// valueOf is the stored number: what has no temperature has 0.
func valueOf(v *event.Reading) int64 {
	if !v.OK {
		return 0
	}
	return int64(v.C)
}

func appendInt(b []byte, field protowire.Number, v int64) []byte {
	if v == 0 {
		return b
	}
	return protowire.AppendVarint(protowire.AppendTag(b, field, protowire.VarintType), uint64(v)) //nolint:gosec // as int64 is stored
}

func appendText(b []byte, field protowire.Number, s string) []byte {
	if s == "" {
		return b
	}
	return protowire.AppendString(protowire.AppendTag(b, field, protowire.BytesType), s)
}

func regularInterval(rs []event.Reading) (every int64, ok bool) {
	if len(rs) < 2 {
		return 0, true
	}
	every = int64(rs[1].At - rs[0].At)
	for i := 1; i < len(rs); i++ {
		if int64(rs[i].At-rs[i-1].At) != every {
			return 0, false
		}
	}
	return every, true
}

// parts are where the pieces of a stored run lie.
type parts struct {
	schema, start, every      int64
	instants, values, present []byte // packed
	raw                       []byte // from the first text to the last, tags included
	raws                      int
}

// errForm says that a message isn't of the form that Run gives.
var errForm = errors.New("wire: another form")

// ReadRun reads what Run wrote, in this version or an earlier one.
func ReadRun(data []byte) (event.Run, error) {
	var r event.Run
	p, err := cut(data, &r)
	if err != nil {
		return readAnyRun(data)
	}
	if p.schema < 1 || p.schema > Schema {
		return event.Run{}, newerRun(r.ID, p.schema)
	}
	n := len(p.present) // a byte each
	if numbers(p.values) != n || len(p.instants) > 0 && numbers(p.instants) != n || p.raws > 0 && p.raws != n {
		return readAnyRun(data) // which says what is wrong
	}
	r.Readings = make([]event.Reading, n)
	values, instants := p.values, p.instants
	for i := range r.Readings {
		v := &r.Readings[i]
		raw, size := varint(values)
		values = values[size:]
		v.C = event.CentiC(int32(protowire.DecodeZigZag(raw & 0xffffffff))) //nolint:gosec // a sint32
		v.OK = p.present[i] != 0
		if len(p.instants) == 0 {
			v.At = event.Instant(p.start + int64(i)*p.every)
			continue
		}
		raw, size = varint(instants)
		instants = instants[size:]
		v.At = event.Instant(raw) //nolint:gosec // as int64 was stored
	}
	if p.raws > 0 {
		texts, at := string(p.raw), 0 // one for all: a run is kept or dropped as a whole
		for i := range r.Readings {
			length, size := varint(p.raw[at+1:]) // behind the tag
			at += 1 + size
			end := at + int(length) //nolint:gosec // it was cut before
			r.Readings[i].Raw, at = texts[at:end], end
		}
	}
	return r, nil
}

// varint is the number at the beginning of what numbers or cut has looked through.
func varint(b []byte) (v uint64, size int) {
	if b[0] < 0x80 {
		return uint64(b[0]), 1
	}
	return protowire.ConsumeVarint(b)
}

// numbers counts the varints of a packed field, -1 if it is none.
func numbers(b []byte) int {
	n, size := 0, 0
	for _, c := range b {
		size++
		if size > 10 || size == 10 && c > 1 {
			return -1 // more than 64 bits
		}
		if c < 0x80 {
			n, size = n+1, 0
		}
	}
	if size != 0 {
		return -1
	}
	return n
}

// cut finds the pieces of a stored run and reads its names.
func cut(data []byte, r *event.Run) (p parts, err error) {
	before := protowire.Number(0)
	for at := 0; at < len(data); {
		field, kind, size := protowire.ConsumeTag(data[at:])
		if size != 1 || field < before || field == before && field != runRaw {
			return p, errForm
		}
		value, body := at+size, []byte(nil)
		var number uint64
		switch kind {
		case protowire.VarintType:
			number, size = protowire.ConsumeVarint(data[value:])
		case protowire.BytesType:
			body, size = protowire.ConsumeBytes(data[value:])
		default:
			return p, errForm
		}
		if size < 0 || (kind == protowire.BytesType) != packedOrText(field) {
			return p, errForm
		}
		switch field {
		case runSchema:
			p.schema = int64(int32(number)) //nolint:gosec // an int32
		case runLogger, runID, runDevice, runImport, runRaw:
			if !utf8.Valid(body) {
				return p, errForm
			}
			p.name(field, body, r)
			if field == runRaw {
				p.raw = data[at-len(p.raw) : value+size]
				p.raws++
			}
		case runStart:
			p.start = int64(number) //nolint:gosec // as it was stored
		case runEvery:
			p.every = int64(number) //nolint:gosec // as it was stored
		case runInstants:
			p.instants = body
		case runValues:
			p.values = body
		case runPresent:
			p.present = body
		case runRecorded:
			r.Recorded = event.Instant(number) //nolint:gosec // as it was stored
		default:
			return p, errForm // what a later version added is skipped by the generated code
		}
		before, at = field, value+size
	}
	for _, c := range p.present {
		if c > 1 {
			return p, errForm // a bool of several bytes
		}
	}
	return p, nil
}

func (p *parts) name(field protowire.Number, body []byte, r *event.Run) {
	switch field {
	case runLogger:
		r.Logger = event.Key(body)
	case runID:
		r.ID = string(body)
	case runDevice:
		r.Device = string(body)
	case runImport:
		r.Import = string(body)
	}
}

func packedOrText(field protowire.Number) bool {
	switch field {
	case runSchema, runStart, runEvery, runRecorded:
		return false
	}
	return true
}

// readAnyRun reads a run in any form that the protocol allows.
func readAnyRun(data []byte) (event.Run, error) {
	var m eventv1.Readings
	if err := proto.Unmarshal(data, &m); err != nil {
		return event.Run{}, fmt.Errorf("wire: readings: %w", err)
	}
	if m.GetSchema() < 1 || m.GetSchema() > Schema {
		return event.Run{}, newerRun(m.GetId(), int64(m.GetSchema()))
	}
	n := len(m.GetValues())
	if len(m.GetPresent()) != n || (len(m.GetInstants()) != 0 && len(m.GetInstants()) != n) || (len(m.GetRaw()) != 0 && len(m.GetRaw()) != n) {
		return event.Run{}, unequalRun(m.GetId())
	}
	r := event.Run{
		Logger: event.Key(m.GetLogger()), ID: m.GetId(), Recorded: event.Instant(m.GetRecorded()),
		Device: m.GetDevice(), Import: m.GetImportSource(), Readings: make([]event.Reading, n),
	}
	for i := range r.Readings {
		at := m.GetStart() + int64(i)*m.GetEveryMs()
		if len(m.GetInstants()) != 0 {
			at = m.GetInstants()[i]
		}
		r.Readings[i] = event.Reading{At: event.Instant(at), C: event.CentiC(m.GetValues()[i]), OK: m.GetPresent()[i]}
		if len(m.GetRaw()) != 0 {
			r.Readings[i].Raw = m.GetRaw()[i]
		}
	}
	return r, nil
}

func newerRun(id string, schema int64) error {
	return fmt.Errorf("wire: readings %s have schema %d; this program reads 1 to %d", id, schema, Schema)
}

func unequalRun(id string) error {
	return fmt.Errorf("wire: readings %s: values, presence, instants and raw differ in number", id)
}
