package app

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"specimen.example/custody/internal/eventlog"
)

// Secret gives the key of the blind index of patient numbers: made from the key
// file when there is one, else kept in a file of its own beside the store. It must
// stay the same for ever: with another one every patient would be a new one.
func Secret(dir, key string) ([]byte, error) {
	path := filepath.Join(dir, "index.key")
	if key != "" {
		if _, err := os.Stat(path); dir != "" && err == nil {
			return nil, fmt.Errorf("key-file: the store in %s was made without a key file and indexes its patients by %s; start it without --key-file", dir, path)
		}
		mac := hmac.New(sha256.New, []byte(key))
		mac.Write([]byte("index of patient numbers"))
		return mac.Sum(nil), nil
	}
	if dir == "" {
		return nil, errors.New("key-file: with an external cluster give one; patient numbers are indexed under it")
	}
	secret, err := os.ReadFile(path)
	if err == nil {
		if len(secret) != 32 {
			return nil, fmt.Errorf("data: %s is damaged; restore it from a backup", path)
		}
		return secret, nil
	}
	if !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("data: %w", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "streams.json")); err == nil {
		return nil, fmt.Errorf("data: %s is missing though the store exists; restore it from a backup, or give the --key-file the store was made with", path)
	}
	secret = make([]byte, 32)
	if _, err := rand.Read(secret); err != nil {
		return nil, fmt.Errorf("data: no randomness: %w", err)
	}
	if err := eventlog.WriteDurably(path, secret); err != nil {
		return nil, fmt.Errorf("data: %w", err)
	}
	return secret, nil
}
