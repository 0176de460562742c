package intake

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"hash"
	"strings"
	"sync"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/wire"
)

// patients gives each patient number a random reference and a key. The number
// itself never reaches the log: the KEYS stream holds it as a keyed hash only, and
// whoever destroys the entry destroys the way back and every free text.
type patients struct {
	log  eventlog.Log
	macs sync.Pool // of hash.Hash, keyed with the secret

	mu    sync.Mutex
	known map[string]wire.PatientKey // by blind index
}

func newPatients(log eventlog.Log, secret []byte) *patients {
	return &patients{
		log: log, known: map[string]wire.PatientKey{},
		macs: sync.Pool{New: func() any { return hmac.New(sha256.New, secret) }},
	}
}

var plainBase32 = base32.StdEncoding.WithPadding(base32.NoPadding)

// keyed is the HMAC-SHA-256 of text under the secret.
func (p *patients) keyed(text []byte) []byte {
	mac := p.macs.Get().(hash.Hash)
	defer p.macs.Put(mac)
	mac.Reset()
	mac.Write(text)
	return mac.Sum(nil)
}

// of gives the reference and key of a patient number, making them at first use.
func (p *patients) of(ctx context.Context, number string) (wire.PatientKey, error) {
	index := plainBase32.EncodeToString(p.keyed([]byte(strings.ToUpper(strings.TrimSpace(number))))[:20])
	p.mu.Lock()
	k, ok := p.known[index]
	p.mu.Unlock()
	if ok {
		return k, nil
	}
	fresh := wire.PatientKey{Reference: "R" + random(10), Key: make([]byte, 32)}
	if _, err := rand.Read(fresh.Key); err != nil {
		return wire.PatientKey{}, fmt.Errorf("intake: no randomness: %w", err)
	}
	k, err := p.add(ctx, index, fresh)
	if err != nil {
		return wire.PatientKey{}, err
	}
	p.mu.Lock()
	p.known[index] = k
	p.mu.Unlock()
	return k, nil
}

// add stores a key where there is none, and gives the one that stands: the shelf
// settles which of two daemons gave a patient its reference.
func (p *patients) add(ctx context.Context, index string, k wire.PatientKey) (wire.PatientKey, error) {
	shelf := p.log.Shelf(eventlog.ShelfKeys)
	for {
		known, rev, err := shelf.Get(ctx, index)
		if err == nil {
			return wire.ReadKey(known)
		}
		if !errors.Is(err, eventlog.ErrAbsent) {
			return wire.PatientKey{}, err
		}
		data, err := wire.Key(k)
		if err != nil {
			return wire.PatientKey{}, err
		}
		if _, err = shelf.Put(ctx, index, data, rev); !errors.Is(err, eventlog.ErrConflict) {
			return k, err
		}
	}
}

// seal encrypts free text under the key of a patient.
func seal(k wire.PatientKey, text string) (event.Ciphertext, error) {
	block, err := aes.NewCipher(k.Key)
	if err != nil {
		return event.Ciphertext{}, fmt.Errorf("intake: patient key: %w", err)
	}
	aead, err := cipher.NewGCM(block)
	if err != nil {
		return event.Ciphertext{}, fmt.Errorf("intake: patient key: %w", err)
	}
	nonce := make([]byte, aead.NonceSize())
	if _, err := rand.Read(nonce); err != nil {
		return event.Ciphertext{}, fmt.Errorf("intake: no randomness: %w", err)
	}
	return event.Ciphertext{Key: k.Reference, Nonce: nonce, Box: aead.Seal(nil, nonce, []byte(text), []byte(k.Reference))}, nil
}

// NewID is a random name, for example of a process.
func NewID() string { return random(10) }

func random(n int) string {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails on the platforms Go supports; crypto/rand aborts instead
	return plainBase32.EncodeToString(b)
}

// Reference gives the random reference of a patient number, "" for no number.
func (d *Desk) Reference(ctx context.Context, number string) (string, error) {
	if number == "" {
		return "", nil
	}
	number, err := d.patientNumber(number)
	if err != nil {
		return "", fieldError("patient", "%s", err)
	}
	k, err := d.patients.of(ctx, number)
	return k.Reference, err
}

// ReasonOf splits a person's reason into a word of the list, which may stand in
// the log, and free text, which is sealed under the key of what it speaks of.
func (d *Desk) ReasonOf(ctx context.Context, about, said string) (string, event.Ciphertext, error) {
	if said == "" || event.IsReasonWord(said) {
		return said, event.Ciphertext{}, nil
	}
	k, err := d.patients.of(ctx, "text of "+about)
	if err != nil {
		return "", event.Ciphertext{}, err
	}
	note, err := seal(k, said)
	return "", note, err
}
