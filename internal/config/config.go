// Package config decides what the daemon's settings are: defaults, then a file,
// then the command line, checked together before anything starts.
package config

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"specimen.example/custody/internal/web/printing"
)

// Settings of the daemon. Every key of the file is a field's yaml name.
type Settings struct {
	// Data is the folder of the embedded store. It is locked while in use.
	Data string `yaml:"data"`
	// Listen is the address of gRPC, REST and pages. Until people and devices can
	// sign in, keep it on the loopback.
	Listen string `yaml:"listen"`
	// NATS is the address of an external cluster; empty means the embedded server.
	// OperatorNATS is the same for the user that may create streams.
	NATS         string `yaml:"nats"`
	OperatorNATS string `yaml:"operator-nats"`
	// Replicas of the streams on an external cluster, 1 to 5; 0 means 3.
	Replicas int `yaml:"replicas"`
	// Volume is the period of the log that is written to, a subject token.
	Volume string `yaml:"volume"`
	// MaxBytes limits each stream of facts, MaxStore the whole embedded store.
	// Keep MaxStore well below the disk.
	MaxBytes int64 `yaml:"max-bytes"`
	MaxStore int64 `yaml:"max-store"`
	// MemoryLimit is the soft limit of the process's memory in bytes; 0 leaves
	// GOMEMLIMIT as it is.
	MemoryLimit int64 `yaml:"memory-limit"`
	// KeyFile holds the secret that encrypts the store at rest. Without it the
	// store is not encrypted.
	KeyFile string `yaml:"key-file"`
	// Traces is the address of an OpenTelemetry collector that takes spans by OTLP over
	// HTTP; empty sends none.
	Traces string `yaml:"traces"`
	// LabelDPI is how many dots to the inch the site's label printers have: what the
	// forms for labels begin with.
	LabelDPI int `yaml:"label-dpi"`
	// Clock is wall, or steered for rehearsals.
	Clock string `yaml:"clock"`
	// Demo seeds an invented scenario. It listens on the loopback only.
	Demo bool `yaml:"demo"`
	// Log is the least level that is written: debug, info, warn or error.
	Log string `yaml:"log"`
}

// Default gives the settings of a first start.
func Default() Settings {
	return Settings{Data: "custody-data", Listen: "127.0.0.1:8080", Volume: "2026", Clock: "wall", Log: "info", MemoryLimit: 2 << 30, LabelDPI: int(printing.DPIs()[0])}
}

// Read overlays s with a file. An unknown key is an error: a setting that is
// dropped in silence is worse than a daemon that does not start.
func (s *Settings) Read(name string, r io.Reader) error {
	dec := yaml.NewDecoder(r)
	dec.KnownFields(true)
	if err := dec.Decode(s); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// Check reports every setting that can't be, with what it may be.
func (s *Settings) Check() error {
	var errs []error
	bad := func(is bool, format string, args ...any) {
		if is {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	bad(s.Data == "" && s.NATS == "", "data: name a folder for the embedded store, or an external cluster with nats")
	bad(s.Listen == "", "listen: give an address, for example 127.0.0.1:8080")
	bad(s.Volume == "" || strings.ContainsAny(s.Volume, ".*> \t\r\n"), "volume: %q must be one word without dots, for example 2026", s.Volume)
	bad(s.Clock != "wall" && s.Clock != "steered", "clock: %q must be wall or steered", s.Clock)
	bad(s.Replicas < 0 || s.Replicas > 5, "replicas: %d must be 1 to 5", s.Replicas)
	bad(s.MaxBytes < 0 || s.MaxStore < 0 || s.MemoryLimit < 0, "max-bytes, max-store, memory-limit: they can't be negative")
	bad(s.MaxBytes > 0 && s.MaxStore > 0 && s.MaxBytes > s.MaxStore, "max-bytes: %d is more than max-store %d", s.MaxBytes, s.MaxStore)
	if _, err := printing.ParseDPI(strconv.Itoa(s.LabelDPI)); err != nil {
		bad(true, "label-%v", err)
	}
	switch s.Log {
	case "debug", "info", "warn", "error":
	default:
		bad(true, "log: %q must be debug, info, warn or error", s.Log)
	}
	return errors.Join(errs...)
}

// Key reads the key file, "" when none is set.
func (s *Settings) Key() (string, error) {
	if s.KeyFile == "" {
		return "", nil
	}
	data, err := os.ReadFile(s.KeyFile)
	if err != nil {
		return "", fmt.Errorf("key-file: %w", err)
	}
	key := strings.TrimSpace(string(data))
	if len(key) < 16 {
		return "", fmt.Errorf("key-file: %s holds fewer than 16 characters; make one with: head -c 32 /dev/urandom | base64", s.KeyFile)
	}
	return key, nil
}
