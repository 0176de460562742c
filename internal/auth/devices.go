package auth

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/eventlog"
)

// invite is a code by which a device enrols itself, under the code's hash.
type invite struct {
	Device string `json:"device"`
	Until  int64  `json:"until"`
	By     string `json:"by"`
}

// InviteFor is how long a code is good.
const InviteFor = 15 * time.Minute

// Errors of devices.
var (
	// ErrCode: the code is wrong, was used, or has run out.
	ErrCode = errors.New("this code is not known, was used already or has run out; ask the engineer for a new one")
	// ErrProof: a signature doesn't fit the key.
	ErrProof = errors.New("the signature does not fit the key")
	// ErrReplayed: a challenge was answered before or is too old.
	ErrReplayed = errors.New("this answer was used already or is too old; load the page again")
	// ErrDevice: the device is not enrolled or was revoked.
	ErrDevice = errors.New("this device is not enrolled here, or was revoked; ask the engineer to invite it again")
)

// codeAlphabet leaves out what people read wrong.
const codeAlphabet = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"

// codeLength gives 31^10, about 2^49, for a code that lives for minutes.
const codeLength = 10

// Invite makes a code for a device that the directory knows. Codes made before for it
// are good no more.
func (g *Gate) Invite(ctx context.Context, device, by string) (code string, until time.Time, err error) {
	d, ok := g.opts.Directory.Device(device)
	if !ok || !d.Active {
		return "", time.Time{}, &FieldError{"id", "this device is not declared or not active; declare it first"}
	}
	var text strings.Builder
	for text.Len() < codeLength {
		b, err := g.random(1)
		if err != nil {
			return "", time.Time{}, err
		}
		if n := int(b[0]); n < 256/len(codeAlphabet)*len(codeAlphabet) { // else some would come more often
			text.WriteByte(codeAlphabet[n%len(codeAlphabet)])
		}
	}
	code = text.String()
	until = g.opts.Now().Add(InviteFor)
	g.mu.RLock()
	var old []string
	for id, in := range g.invites {
		if in.Device == d.ID {
			old = append(old, id)
		}
	}
	g.mu.RUnlock()
	for _, id := range old {
		if err := g.dropInvite(ctx, id); err != nil {
			return "", time.Time{}, err
		}
	}
	id := g.codeID(code)
	in, err := change(ctx, g, g.opts.SignIn, inviteWord+"."+id, func(in *invite) error {
		*in = invite{Device: d.ID, Until: millis(until), By: by}
		return nil
	})
	if err != nil {
		return "", time.Time{}, err
	}
	g.mu.Lock()
	g.invites[id] = in
	g.mu.Unlock()
	return code, until, nil
}

func (g *Gate) dropInvite(ctx context.Context, id string) error {
	g.mu.Lock()
	delete(g.invites, id)
	g.mu.Unlock()
	if err := g.opts.SignIn.Erase(ctx, inviteWord+"."+id); err != nil {
		return fmt.Errorf("%w: %w", ErrBusy, err)
	}
	return nil
}

// codeID is under what a code is kept: people type it with spaces, hyphens and in small
// letters.
func (g *Gate) codeID(code string) string {
	plain := strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, strings.ToUpper(code))
	return hex.EncodeToString(g.keyed("code", plain)[:20])
}

// Enrol takes the key that a device made, and gives what is to be written into the log
// by keep. The code is used up before that, so that it is good once; when keep fails,
// the engineer makes another. from is the address it comes from.
func (g *Gate) Enrol(ctx context.Context, code string, publicKey, proof []byte, from string, keep func(context.Context, Enrolled, string) error) (Enrolled, error) {
	if !g.limits.may(from) {
		return Enrolled{}, ErrTooMany
	}
	d, err := g.enrol(ctx, code, publicKey, proof, keep)
	return d, g.limits.failed(from, err)
}

func (g *Gate) enrol(ctx context.Context, code string, publicKey, proof []byte, keep func(context.Context, Enrolled, string) error) (Enrolled, error) {
	key, err := PublicKey(publicKey)
	if err != nil {
		return Enrolled{}, &FieldError{"publicKey", err.Error()}
	}
	if !verify(key, []byte("enrol "+code), proof) {
		return Enrolled{}, &FieldError{"proof", ErrProof.Error()}
	}
	id := g.codeID(code)
	data, revision, err := g.opts.SignIn.Get(ctx, inviteWord+"."+id)
	switch {
	case errors.Is(err, eventlog.ErrAbsent):
		return Enrolled{}, ErrCode
	case err != nil:
		return Enrolled{}, fmt.Errorf("%w: %w", ErrBusy, err)
	}
	in := invite{}
	if !g.read(eventlog.Item{Key: inviteWord, Data: data}, &in) || !g.opts.Now().Before(fromMillis(in.Until)) {
		return Enrolled{}, ErrCode
	}
	// Two that come at once with one code meet at the revision.
	if _, err := g.opts.SignIn.Put(ctx, inviteWord+"."+id, []byte(`{}`), revision); err != nil {
		if errors.Is(err, eventlog.ErrConflict) {
			return Enrolled{}, ErrCode
		}
		return Enrolled{}, fmt.Errorf("%w: %w", ErrBusy, err)
	}
	if err := g.dropInvite(ctx, id); err != nil {
		return Enrolled{}, err
	}
	d, ok := g.opts.Directory.Device(in.Device)
	if !ok || !d.Active {
		return Enrolled{}, ErrDevice
	}
	d.PublicKey, d.KeyID = publicKey, KeyID(publicKey)
	return d, keep(ctx, d, in.By)
}

// KeyID names a public key: the first 16 bytes of the SHA-256 of its
// SubjectPublicKeyInfo, in hex.
func KeyID(publicKey []byte) string {
	sum := sha256.Sum256(publicKey)
	return hex.EncodeToString(sum[:16])
}

// PublicKey reads a SubjectPublicKeyInfo (RFC 5280, 4.1.2.7) of an ECDSA key on P-256.
func PublicKey(der []byte) (*ecdsa.PublicKey, error) {
	any, err := x509.ParsePKIXPublicKey(der)
	if err != nil {
		return nil, errors.New("it is no public key in the form SubjectPublicKeyInfo")
	}
	key, ok := any.(*ecdsa.PublicKey)
	if !ok || key.Curve != elliptic.P256() {
		return nil, errors.New("it must be an ECDSA key on the curve P-256")
	}
	return key, nil
}

// verify checks r and s of 32 bytes each (IEEE P1363, as browsers sign) over the
// SHA-256 of the message.
func verify(key *ecdsa.PublicKey, message, signature []byte) bool {
	if len(signature) != 64 {
		return false
	}
	sum := sha256.Sum256(message)
	return ecdsa.Verify(key, sum[:], new(big.Int).SetBytes(signature[:32]), new(big.Int).SetBytes(signature[32:]))
}

// Signed checks that a device that is enrolled now signed the message with the key it
// has now. The error is ErrDevice or ErrProof.
func (g *Gate) Signed(device, keyID string, message, signature []byte) (Enrolled, error) {
	d, ok := g.opts.Directory.Device(device)
	if !ok || !d.Active || d.KeyID == "" || d.KeyID != keyID {
		return Enrolled{}, ErrDevice
	}
	key, err := PublicKey(d.PublicKey)
	if err != nil {
		return Enrolled{}, ErrDevice
	}
	if !verify(key, message, signature) {
		return Enrolled{}, ErrProof
	}
	return d, nil
}

// challengeFor is how long a challenge may be answered: as long as a sign-in page may
// stand open before somebody comes to it.
const challengeFor = 10 * time.Minute

// Challenge gives text that a device signs to show that it is here now. It needs no
// memory: it carries its time and our own seal.
func (g *Gate) Challenge() (string, error) {
	nonce, err := g.random(16)
	if err != nil {
		return "", err
	}
	text := strconv.FormatInt(millis(g.opts.Now()), 36) + "." + hex.EncodeToString(nonce)
	return text + "." + base64.RawURLEncoding.EncodeToString(g.keyed("challenge", text)), nil
}

// proven checks a device's answer to a challenge, and that it is the first.
func (g *Gate) proven(ctx context.Context, p *Proof) (Enrolled, error) {
	text, sealed, _ := cutLast(p.Challenge, '.')
	seal, err := base64.RawURLEncoding.DecodeString(sealed)
	if err != nil || !equal(seal, g.keyed("challenge", text)) {
		return Enrolled{}, ErrReplayed
	}
	stamp, nonce, _ := strings.Cut(text, ".")
	ms, err := strconv.ParseInt(stamp, 36, 64)
	if err != nil || g.opts.Now().Sub(fromMillis(ms)).Abs() > challengeFor {
		return Enrolled{}, ErrReplayed
	}
	d, ok := g.opts.Directory.Device(p.Device)
	if !ok {
		return Enrolled{}, ErrDevice
	}
	if d, err = g.Signed(p.Device, d.KeyID, []byte("sign-in "+p.Challenge), p.Signature); err != nil {
		return Enrolled{}, err
	}
	switch _, err := g.opts.Sessions.Put(ctx, usedWord+"."+nonce, []byte("1"), 0); {
	case errors.Is(err, eventlog.ErrConflict):
		return Enrolled{}, ErrReplayed
	case err != nil:
		return Enrolled{}, fmt.Errorf("%w: %w", ErrBusy, err)
	}
	return d, nil
}

// ByDevice signs in a device alone: a screen on the wall.
func (g *Gate) ByDevice(ctx context.Context, proof Proof, from string) (string, *Principal, error) {
	if !g.limits.may(from) {
		return "", nil, ErrTooMany
	}
	token, p, err := g.open(ctx, "", "", &proof)
	return token, p, g.limits.failed(from, err)
}
