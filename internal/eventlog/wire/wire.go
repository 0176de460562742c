// Package wire decides the stored form of decisions, readings and patient keys
// and reads every form that was ever stored. It is the only package that sees
// proto/event/v1; everything else speaks the plain types of package event.
package wire

import (
	"fmt"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// Schema is the version this program writes. A message of a higher version is
// refused: half understood is worse than not read.
const Schema = 1

// Decision gives the stored bytes of d.
func Decision(d *event.Decision) ([]byte, error) {
	return AppendDecision(make([]byte, 0, 256), d)
}

// AppendDecision adds the stored bytes of d. The envelope is written by hand, in the order
// of its numbers, which is what the generated code gives.
func AppendDecision(to []byte, d *event.Decision) ([]byte, error) {
	w := writer{buf: to}
	w.int(1, Schema)
	w.text(2, d.ID)
	w.text(3, string(d.Kind))
	w.text(4, string(d.Key))
	w.bytes(5, d.Digest)
	w.int(6, int64(d.Occurred))
	w.int(7, int64(d.DeviceTime))
	w.int(8, d.OffsetMs)
	w.int(9, d.UncertaintyMs)
	w.int(10, d.MonotonicMs)
	w.text(11, d.BootID)
	w.text(12, d.TimeSource)
	w.int(13, int64(d.ZoneOffsetMin))
	w.int(14, int64(d.Typed))
	w.int(15, int64(d.Recorded))
	w.text(16, d.Actor)
	w.text(17, d.OnBehalf)
	w.text(18, d.Witness)
	w.text(19, d.Principal)
	w.text(20, d.Role)
	w.text(21, d.Device)
	w.int(22, d.DeviceSeq)
	w.text(23, d.Place)
	w.text(24, string(d.Mode))
	w.text(25, d.How)
	w.text(26, d.App)
	w.text(27, d.Import)
	for _, cause := range d.Causes {
		w.element(28, cause)
	}
	w.bytes(29, d.Attested)
	w.text(30, d.KeyID)
	w.bytes(31, d.Signature)
	w.text(32, d.Step)
	for _, f := range d.Facts {
		p, err := factToProto(f)
		if err != nil {
			return nil, err
		}
		w.message(40, p)
	}
	if w.err != nil {
		return nil, fmt.Errorf("wire: decision %q: %w", d.ID, w.err)
	}
	return w.buf, nil
}

// writer adds fields; those that say nothing are left out.
type writer struct {
	buf []byte
	err error
}

func (w *writer) int(field protowire.Number, v int64) { w.buf = appendInt(w.buf, field, v) }

func (w *writer) text(field protowire.Number, s string) {
	if s != "" {
		w.element(field, s)
	}
}

// element adds one of several texts, an empty one too.
func (w *writer) element(field protowire.Number, s string) {
	if !utf8.ValidString(s) {
		w.err = fmt.Errorf("the text %q is no UTF-8", s)
		return
	}
	w.buf = protowire.AppendString(protowire.AppendTag(w.buf, field, protowire.BytesType), s)
}

func (w *writer) bytes(field protowire.Number, b []byte) {
	if len(b) > 0 {
		w.buf = protowire.AppendBytes(protowire.AppendTag(w.buf, field, protowire.BytesType), b)
	}
}

func (w *writer) message(field protowire.Number, m proto.Message) {
	o := proto.MarshalOptions{}
	size := o.Size(m)
	w.buf = protowire.AppendVarint(protowire.AppendTag(w.buf, field, protowire.BytesType), uint64(size)) //nolint:gosec // a size
	o.UseCachedSize = true
	buf, err := o.MarshalAppend(w.buf, m)
	if err != nil {
		w.err = err
		return
	}
	w.buf = buf
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
