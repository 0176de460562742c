// Package wire decides the stored form of decisions, readings and patient keys
// and reads every form that was ever stored. It is the only package that sees
// proto/event/v1; everything else speaks the plain types of package event.
package wire

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// Schema is the version this program writes. A message of a higher version is
// refused: half understood is worse than not read.
const Schema = 1

// Decision gives the stored bytes of d.
func Decision(d *event.Decision) ([]byte, error) {
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
	return proto.Marshal(m)
}

// readAnyDecision reads a decision in any form that the protocol allows.
func readAnyDecision(data []byte) (event.Decision, error) {
	var m eventv1.Decision
	if err := proto.Unmarshal(data, &m); err != nil {
		return event.Decision{}, fmt.Errorf("wire: decision: %w", err)
	}
	if m.GetSchema() < 1 || m.GetSchema() > Schema {
		return event.Decision{}, newerDecision(m.GetId(), m.GetSchema())
	}
	d := event.Decision{Envelope: event.Envelope{
		ID: m.GetId(), Kind: event.Kind(m.GetKind()), Key: event.Key(m.GetKey()), Digest: m.GetDigest(),
		Occurred: event.Instant(m.GetOccurred()), DeviceTime: event.Instant(m.GetDeviceTime()), OffsetMs: m.GetOffsetMs(),
		UncertaintyMs: m.GetUncertaintyMs(), MonotonicMs: m.GetMonotonicMs(), BootID: m.GetBootId(),
		TimeSource: m.GetTimeSource(), ZoneOffsetMin: m.GetZoneOffsetMin(), Typed: event.Instant(m.GetTyped()),
		Recorded: event.Instant(m.GetRecorded()),
		Actor:    m.GetActor(), OnBehalf: m.GetOnBehalfOf(), Witness: m.GetWitness(), Principal: m.GetPrincipal(), Role: m.GetRole(),
		Device: m.GetDevice(), DeviceSeq: m.GetDeviceSequence(), Place: m.GetPlace(), Mode: event.Mode(m.GetMode()),
		How: m.GetReadMethod(), App: m.GetAppBuild(), Import: m.GetImportSource(), Causes: m.GetCauses(),
		Attested: m.GetAttested(), KeyID: m.GetKeyId(), Signature: m.GetSignature(), Step: m.GetStep(),
	}}
	d.Facts = make([]event.Fact, len(m.GetFacts()))
	for i, p := range m.GetFacts() {
		f := factFromProto(p)
		if f == nil {
			return event.Decision{}, fmt.Errorf("wire: decision %s holds a fact this program doesn't know", m.GetId())
		}
		d.Facts[i] = f
	}
	return d, nil
}

// PatientKey is what the KEYS stream holds under a patient's blind index. Without
// reference and key it is what an erased one leaves.
type PatientKey struct {
	Reference string // random, the only trace of a patient in the log
	Key       []byte // 32 bytes, or what wrapping made of them
	Wrapped   bool   // Key is encrypted by a key outside the log
	Wrap      string // id of that key
}

// Key gives the stored bytes of k.
func Key(k PatientKey) ([]byte, error) {
	return proto.Marshal(&eventv1.PatientKey{Reference: k.Reference, Key: k.Key, Wrapped: k.Wrapped, Wrap: k.Wrap})
}

// ReadKey reads what Key wrote.
func ReadKey(data []byte) (PatientKey, error) {
	var m eventv1.PatientKey
	if err := proto.Unmarshal(data, &m); err != nil {
		return PatientKey{}, fmt.Errorf("wire: patient key: %w", err)
	}
	return PatientKey{Reference: m.GetReference(), Key: m.GetKey(), Wrapped: m.GetWrapped(), Wrap: m.GetWrap()}, nil
}

func keyStrings(keys []event.Key) []string {
	if len(keys) == 0 {
		return nil
	}
	out := make([]string, len(keys))
	for i, k := range keys {
		out[i] = string(k)
	}
	return out
}

func stringKeys(keys []string) []event.Key {
	if len(keys) == 0 {
		return nil
	}
	out := make([]event.Key, len(keys))
	for i, k := range keys {
		out[i] = event.Key(k)
	}
	return out
}

func cipherToProto(c event.Ciphertext) *eventv1.Ciphertext {
	if len(c.Box) == 0 {
		return nil
	}
	return &eventv1.Ciphertext{Key: c.Key, Nonce: c.Nonce, Box: c.Box}
}

func cipherFromProto(m *eventv1.Ciphertext) event.Ciphertext {
	return event.Ciphertext{Key: m.GetKey(), Nonce: m.GetNonce(), Box: m.GetBox()}
}

func rangeToProto(r event.Range) *eventv1.Range {
	if !r.Known {
		return nil
	}
	return &eventv1.Range{Low: int32(r.Low), High: int32(r.High)}
}

func rangeFromProto(m *eventv1.Range) event.Range {
	if m == nil {
		return event.Range{}
	}
	return event.Range{Low: event.CentiC(m.GetLow()), High: event.CentiC(m.GetHigh()), Known: true}
}

func flagToProto(f event.Flag) *eventv1.Flag {
	m := &eventv1.Flag{
		Episode: f.Episode, Kind: string(f.Kind), Verdict: string(f.Verdict), Action: string(f.Action),
		Rules: f.Rules, Until: int64(f.Until), CauseKind: string(f.Cause.Kind), Cause: f.Cause.Name,
	}
	for _, t := range f.Tests {
		p := &eventv1.FlagTest{
			Assay: t.Assay, Verdict: string(t.Verdict), Outlook: string(t.Outlook), Direction: string(t.Direction), Rule: t.Rule,
		}
		for _, r := range t.Reasons {
			p.Reasons = append(p.Reasons, string(r))
		}
		m.Tests = append(m.Tests, p)
	}
	return m
}

func flagFromProto(m *eventv1.Flag) event.Flag {
	f := event.Flag{
		Episode: m.GetEpisode(), Kind: event.FlagKind(m.GetKind()), Verdict: event.Verdict(m.GetVerdict()),
		Action: event.Action(m.GetAction()), Rules: m.GetRules(), Until: event.Instant(m.GetUntil()),
		Cause: event.Cause{Kind: event.CauseKind(m.GetCauseKind()), Name: m.GetCause()},
	}
	for _, p := range m.GetTests() {
		t := event.FlagTest{
			Assay: p.GetAssay(), Verdict: event.Verdict(p.GetVerdict()), Outlook: event.Outlook(p.GetOutlook()),
			Direction: event.Direction(p.GetDirection()), Rule: p.GetRule(),
		}
		for _, r := range p.GetReasons() {
			t.Reasons = append(t.Reasons, event.Reason(r))
		}
		f.Tests = append(f.Tests, t)
	}
	return f
}
