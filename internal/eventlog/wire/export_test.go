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

// GeneratedDecision is Decision by the generated code.
func GeneratedDecision(d *event.Decision) ([]byte, error) {
	m := &eventv1.Decision{
		Schema: Schema,
		Id:     d.ID, Kind: string(d.Kind), Key: string(d.Key), Digest: d.Digest,
		Occurred: int64(d.Occurred), DeviceTime: int64(d.DeviceTime), OffsetMs: d.OffsetMs, UncertaintyMs: d.UncertaintyMs,
		MonotonicMs: d.MonotonicMs, BootId: d.BootID, TimeSource: d.TimeSource, ZoneOffsetMin: d.ZoneOffsetMin,
		Typed: int64(d.Typed), Recorded: int64(d.Recorded),
		Actor: d.Actor, OnBehalfOf: d.OnBehalf, Witness: d.Witness, Principal: d.Principal, Role: d.Role,
		Device: d.Device, DeviceSequence: d.DeviceSeq, Place: d.Place, Mode: string(d.Mode), ReadMethod: d.How,
		AppBuild: d.App, ImportSource: d.Import, Causes: d.Causes, Attested: d.Attested, KeyId: d.KeyID,
		Signature: d.Signature, Step: d.Step,
		Facts: make([]*eventv1.Fact, len(d.Facts)),
	}
	for i, f := range d.Facts {
		p, err := factToProto(f)
		if err != nil {
			return nil, err
		}
		m.Facts[i] = p
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

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
		in := cursor{rest: one.body}
		if f := r.frequent(one.field, &in); f == nil || in.odd || len(in.rest) > 0 {
			return false
		}
	}
	return true
}
