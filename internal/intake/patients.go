package intake

import (
	"context"
	"crypto/rand"
	"encoding/base32"

	"specimen.example/custody/internal/event"
)

// Patients keeps apart from the log what must not stand in it: the numbers of
// patients, and free text.
type Patients interface {
	// Patient gives the random reference of a patient's number and, sealed under the
	// patient's key, text; without text the ciphertext is empty.
	Patient(ctx context.Context, number, text string) (string, event.Ciphertext, error)
	// Text seals what is said about a thing of which no patient is known, so that it
	// can be erased alone.
	Text(ctx context.Context, about, text string) (event.Ciphertext, error)
	// Keyed is the HMAC-SHA-256 of text under the secret of the log.
	Keyed(text []byte) []byte
}

var plainBase32 = base32.StdEncoding.WithPadding(base32.NoPadding)

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
	ref, _, err := d.patients.Patient(ctx, number, "")
	return ref, err
}

// ReasonOf splits a person's reason into a word of the list, which may stand in
// the log, and free text, which is sealed under the key of what it speaks of.
func (d *Desk) ReasonOf(ctx context.Context, about, said string) (string, event.Ciphertext, error) {
	if said == "" || event.IsReasonWord(said) {
		return said, event.Ciphertext{}, nil
	}
	note, err := d.patients.Text(ctx, about, said)
	return "", note, err
}
