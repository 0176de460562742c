package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"

	"google.golang.org/protobuf/encoding/protojson"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// privateDetail is the key of a scan's details that binds what must not stand in the
// log to what a device signed.
const privateDetail = "private"

// privateSalt is the least length in bytes of what makes the hash of a patient's number
// unguessable.
const privateSalt = 32

// private is what a device said of a patient beside the scan that it signed.
type private struct {
	Salt    string `json:"salt"`
	Patient string `json:"patient"`
	Reason  string `json:"reason"`
	Note    string `json:"note"`
}

// attested gives the scan that a device signed: its exact bytes were signed, they say
// nothing that identifies, and the private part beside them is the one that was meant.
// Whether the device's key counts is asked last, so that nobody learns of keys by bad
// messages.
func (s *Server) attested(m *custodyv1.AttestedScan, path string) (*custodyv1.Scan, []violation) {
	bad := func(field, format string, args ...any) []violation {
		return []violation{{path + "attested." + field, fmt.Sprintf(format, args...)}}
	}
	scan := &custodyv1.Scan{}
	if err := (protojson.UnmarshalOptions{}).Unmarshal(m.GetScan(), scan); err != nil {
		return nil, bad("scan", "it is not the JSON of a scan; see /docs")
	}
	switch {
	case scan.GetAttested() != nil:
		return nil, bad("scan", "a signed scan holds no other")
	case scan.GetPatient() != "" || scan.GetDetails()["note"] != "":
		return nil, bad("scan", "patient and note stand in the private part: what is signed stays in the log")
	case scan.GetReason() != "" && !event.IsReasonWord(scan.GetReason()):
		return nil, bad("scan", "a reason in own words stands in the private part: what is signed stays in the log")
	case scan.GetDevice() == "":
		return nil, bad("scan", "it names no device")
	}
	if vs := walk(nil, path+"attested.scan.", scan.ProtoReflect()); len(vs) > 0 {
		return nil, vs
	}
	want, said := scan.GetDetails()[privateDetail], m.GetPrivate()
	if (want == "") != (len(said) == 0) {
		return nil, bad("private", "the private part and the detail %q go together", privateDetail)
	}
	if want != "" {
		sum := sha256.Sum256(said)
		if hex.EncodeToString(sum[:]) != want {
			return nil, bad("private", "it is not what was signed")
		}
		var p private
		dec := json.NewDecoder(bytes.NewReader(said))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&p); err != nil || dec.Decode(&struct{}{}) != io.EOF { //nolint:errorlint // io.EOF is returned itself
			return nil, bad("private", "it is not the JSON of salt, patient, reason and note")
		}
		if salt, err := base64.StdEncoding.DecodeString(p.Salt); err != nil || len(salt) < privateSalt {
			return nil, bad("private", "salt must be 32 random bytes or more as base64: without it a number could be found by trying")
		}
		scan.Details = maps.Clone(scan.Details)
		delete(scan.Details, privateDetail)
		scan.Patient = p.Patient
		if p.Reason != "" {
			scan.Reason = p.Reason
		}
		if p.Note != "" {
			scan.Details["note"] = p.Note
		}
		if vs := walk(nil, path+"attested.private.", scan.ProtoReflect()); len(vs) > 0 {
			return nil, vs
		}
	}
	return scan, nil
}

// mayCarry says why a scan can't count as its device's, "" when it can: a device that
// was enrolled signs, or its own session sends.
func (s *Server) mayCarry(ctx context.Context, m *custodyv1.AttestedScan, scan *intake.Scan) string {
	if m != nil {
		if _, err := s.Auth.Signed(scan.Device, m.GetKeyId(), m.GetScan(), m.GetSignature()); err != nil {
			return err.Error()
		}
		scan.Attested, scan.KeyID, scan.Signature = m.GetScan(), m.GetKeyId(), m.GetSignature()
		return ""
	}
	p := auth.From(ctx)
	if scan.Device == "" || p.Kind == auth.Anyone || event.Spelled(scan.Device) == event.Spelled(p.Device) {
		return ""
	}
	if s.enrolled(scan.Device) {
		return "this device signs what it scans; scan with it, or leave the device out"
	}
	return ""
}

// enrolled reports whether a device has a key of its own.
func (s *Server) enrolled(device string) bool {
	key, err := event.LocalKey(device)
	if err != nil {
		return false
	}
	found := false
	s.Model.World(func(w *custody.World) {
		d, ok := w.Device(key)
		found = ok && d.KeyID != ""
	})
	return found
}
