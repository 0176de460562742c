package eventlog

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
)

// Seal says how the chunks of a backup are sealed. Check tells a wrong key file from
// damage; it gives nothing away that a sealed chunk wouldn't.
type Seal struct {
	Cipher string `json:"cipher"`
	Salt   string `json:"salt"` // 32 random bytes, hex; new for each backup
	Check  string `json:"check"`
}

const sealCipher = "HKDF-SHA256, AES-256-GCM"

func newSeal() (*Seal, error) {
	salt := make([]byte, 32)
	if _, err := rand.Read(salt); err != nil {
		return nil, fmt.Errorf("no randomness: %w", err)
	}
	return &Seal{Cipher: sealCipher, Salt: hex.EncodeToString(salt)}, nil
}

// sealer seals and unseals with keys derived from the key file.
type sealer struct{ pseudo []byte }

func (s *Seal) open(key string) (*sealer, error) {
	salt, err := hex.DecodeString(s.Salt)
	if err != nil || len(salt) != 32 || s.Cipher != sealCipher {
		return nil, &DamagedError{manifestFile, "says nothing sensible of how the backup is sealed"}
	}
	pseudo, err := hkdf.Extract(sha256.New, []byte(key), salt)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	return &sealer{pseudo}, nil
}

func (l *sealer) derive(purpose string) ([]byte, error) {
	return hkdf.Expand(sha256.New, l.pseudo, backupFormat+" "+purpose, 32)
}

func (l *sealer) under(purpose string, data []byte) string {
	key, err := l.derive(purpose)
	if err != nil {
		return "" // only more than 8160 bytes can't be derived
	}
	mac := hmac.New(sha256.New, key)
	_, _ = mac.Write(data) // a hash takes everything
	return hex.EncodeToString(mac.Sum(nil))
}

func (l *sealer) check() string              { return l.under("check", nil)[:16] }
func (l *sealer) mac(manifest []byte) string { return l.under("manifest", manifest) }

// chunkCipher gives cipher and nonce of a chunk. A nonce is used once under its key: the
// key is new for each backup and stream, the nonce is the chunk's number.
func (l *sealer) chunkCipher(stream string, chunk int) (cipher.AEAD, []byte, error) {
	key, err := l.derive("stream " + stream)
	if err != nil {
		return nil, nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, nil, err
	}
	aead, err := cipher.NewGCM(block)
	if err != nil {
		return nil, nil, err
	}
	nonce := make([]byte, aead.NonceSize())
	binary.BigEndian.PutUint64(nonce[4:], uint64(chunk)) //nolint:gosec // an index
	return aead, nonce, nil
}

func (l *sealer) seal(stream string, chunk int, data []byte) ([]byte, error) {
	aead, nonce, err := l.chunkCipher(stream, chunk)
	if err != nil {
		return nil, err
	}
	return aead.Seal(nil, nonce, data, nil), nil
}

var errUnseal = errors.New("eventlog: a chunk can't be unsealed")

func (l *sealer) unseal(stream string, chunk int, data []byte) ([]byte, error) {
	aead, nonce, err := l.chunkCipher(stream, chunk)
	if err != nil {
		return nil, err
	}
	out, err := aead.Open(nil, nonce, data, nil)
	if err != nil {
		return nil, errUnseal
	}
	return out, nil
}
