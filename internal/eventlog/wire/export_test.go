package wire

import (
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// ReadAnyRun is ReadRun by the generated code alone.
var ReadAnyRun = readAnyRun

// ReadAnyDecision is ReadDecision by the generated code alone.
var ReadAnyDecision = readAnyDecision

// GeneratedRun is Run by the generated code.
func GeneratedRun(r *event.Run) ([]byte, error) {
	m := &eventv1.Readings{
		Schema: Schema, Logger: string(r.Logger), Id: r.ID, Recorded: int64(r.Recorded), Device: r.Device, ImportSource: r.Import,
	}
	every, regular := regularInterval(r.Readings)
	text := false
	for i := range r.Readings {
		v := &r.Readings[i]
		m.Values, m.Present, m.Raw = append(m.Values, int32(valueOf(v))), append(m.Present, v.OK), append(m.Raw, v.Raw) //nolint:gosec // an int32
		text = text || v.Raw != ""
		if !regular {
			m.Instants = append(m.Instants, int64(v.At))
		}
	}
	if !text {
		m.Raw = nil
	}
	if regular && len(r.Readings) > 0 {
		m.Start, m.EveryMs = int64(r.Readings[0].At), every
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

// ByHand reports whether a decision and its facts are read without the generated code.
func (r *Reader) ByHand(data []byte) bool {
	var d event.Decision
	if _, ok := r.decision(data, &d); !ok {
		return false
	}
	c := cursor{rest: data}
	for c.next(repeatedInDecision) {
		if c.field != 40 {
			continue
		}
		one := cursor{rest: c.body}
		one.next(0)
		if f := r.frequent(one.field, &cursor{rest: one.body}); f == nil {
			return false
		}
	}
	return true
}
