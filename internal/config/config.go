// Package config decides what the daemon's settings are: defaults, then a file,
// then the command line, checked together before anything starts.
package config

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"net/url"
	"os"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"specimen.example/custody/internal/web/printing"
)

// Settings of the daemon. Every key of the file is a field's yaml name.
type Settings struct {
	// Data is the folder of the embedded store. It is locked while in use.
	Data string `yaml:"data"`
	// Listen is the address of gRPC, REST and pages. Anywhere but on the loopback it
	// speaks TLS and nothing else.
	Listen string `yaml:"listen"`
	// TLSCert and TLSKey are files in PEM with the certificate that is shown and its
	// key; both or none. They are read again when they change. Without them a
	// certificate is made and kept in Data.
	TLSCert string `yaml:"tls-cert"`
	TLSKey  string `yaml:"tls-key"`
	// TLSNames are further host names and addresses of the certificate that is made,
	// with commas between. Where they are given the loopback speaks TLS too.
	TLSNames string `yaml:"tls-names"`
	// NATS is the address of an external cluster; empty means the embedded server.
	// OperatorNATS is the same for the user that may create streams.
	NATS         string `yaml:"nats"`
	OperatorNATS string `yaml:"operator-nats"`
	// NATSLoginFile and OperatorLoginFile each hold user:password for those addresses,
	// so that no password stands in a URL, where lists of processes and logs show it.
	NATSLoginFile     string `yaml:"nats-login-file"`
	OperatorLoginFile string `yaml:"operator-login-file"`
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
	// SignIn is on, or off: then everybody who reaches the listener may do everything,
	// and the listener is the loopback's. A demonstration and a steered clock are off.
	SignIn string `yaml:"sign-in"`
	// PublicURL is the address by which browsers reach this daemon; the house's own
	// sign-in sends people back there.
	PublicURL string `yaml:"public-url"`
	// OIDCIssuer, OIDCClient, OIDCSecretFile and OIDCClaim say how to ask the house's own
	// sign-in (OpenID Connect): its address, our id there, a file with our secret, and
	// which claim names the account. Without an issuer there is none.
	OIDCIssuer     string `yaml:"oidc-issuer"`
	OIDCClient     string `yaml:"oidc-client"`
	OIDCSecretFile string `yaml:"oidc-secret-file"`
	OIDCClaim      string `yaml:"oidc-claim"`
	// IdentityKeys is the file of the keys that wrap the patients' keys. Empty means one
	// in the folder Data; a cluster has none, and all its daemons share the file.
	IdentityKeys string `yaml:"identity-keys"`
	// IdentityKeepDays is how many days old a backup may be to be readable for identity:
	// the keys in IdentityKeys change in half that time and are destroyed after it.
	IdentityKeepDays int `yaml:"identity-keep-days"`
	// SnapshotMinutes is how often the model writes a snapshot of itself while anything
	// happens; 0: only at a clean stop.
	SnapshotMinutes float64 `yaml:"snapshot-minutes"`
	// Traces is the address of an OpenTelemetry collector that takes spans by OTLP over
	// HTTP; empty sends none.
	Traces string `yaml:"traces"`
	// Receivers are told of flags outside the screens.
	Receivers []Receiver `yaml:"receivers"`
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
	return Settings{Data: "custody-data", Listen: "127.0.0.1:8080", Volume: "2026", Clock: "wall", SignIn: "on", Log: "info", MemoryLimit: 2 << 30, LabelDPI: int(printing.DPIs()[0]), IdentityKeepDays: 30, SnapshotMinutes: 10}
}

// Read overlays s with a file. An unknown key is an error: a setting that is
// dropped in silence is worse than a daemon that does not start.
func (s *Settings) Read(name string, r io.Reader) error {
	dec := yaml.NewDecoder(r)
	dec.KnownFields(true)
	if err := dec.Decode(s); err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: %w", name, err)
	}
	if len(s.Receivers) == 0 {
		s.Receivers = nil
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
	bad(s.SnapshotMinutes < 0 || s.SnapshotMinutes > 24*60, "snapshot-minutes: %g must be 0 to 1440", s.SnapshotMinutes)
	bad(s.IdentityKeepDays < 2 || s.IdentityKeepDays > 3650, "identity-keep-days: %d must be 2 to 3650", s.IdentityKeepDays)
	bad(s.SignIn != "on" && s.SignIn != "off", "sign-in: %q must be on or off", s.SignIn)
	bad(!s.Asks() && s.Listen != "" && !loopback(s.Listen), "listen: %s is not on the loopback, and nobody is asked to sign in; use 127.0.0.1, or leave out demo, clock steered and sign-in off", s.Listen)
	bad(s.OIDCIssuer != "" && (s.OIDCClient == "" || s.PublicURL == ""), "oidc-issuer: it needs oidc-client and public-url too")
	bad(s.OIDCIssuer == "" && (s.OIDCClient != "" || s.OIDCSecretFile != "" || s.OIDCClaim != ""), "oidc-issuer: the other settings of oidc need it")
	for name, address := range map[string]string{"public-url": s.PublicURL, "oidc-issuer": s.OIDCIssuer} {
		u, err := url.Parse(address)
		bad(address != "" && (err != nil || u.Host == "" || u.RawQuery != "" || u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Host))), "%s: %q must be an address that begins with https://", name, address)
	}
	bad(s.Replicas < 0 || s.Replicas > 5, "replicas: %d must be 1 to 5", s.Replicas)
	bad(s.MaxBytes < 0 || s.MaxStore < 0 || s.MemoryLimit < 0, "max-bytes, max-store, memory-limit: they can't be negative")
	bad(s.MaxBytes > 0 && s.MaxStore > 0 && s.MaxBytes > s.MaxStore, "max-bytes: %d is more than max-store %d", s.MaxBytes, s.MaxStore)
	bad((s.TLSCert == "") != (s.TLSKey == ""), "tls-cert, tls-key: give both or none")
	bad(s.TLSCert != "" && s.TLSNames != "", "tls-names: they are for a certificate that is made here; the names of tls-cert stand in its file")
	for _, name := range s.Names() {
		bad(!IsName(name), "tls-names: %q is neither a host name nor an address; write for example custody.example,10.0.0.7", name)
	}
	bad(s.NATSLoginFile != "" && s.NATS == "", "nats-login-file: it is for an external cluster; give its address with nats")
	bad(s.OperatorLoginFile != "" && s.NATS == "", "operator-login-file: it is for an external cluster; give its address with nats")
	bad(s.NATSLoginFile != "" && HasLogin(s.NATS), "nats: its user stands in nats-login-file; leave it out of the URL")
	bad(s.OperatorLoginFile != "" && HasLogin(s.OperatorNATS), "operator-nats: its user stands in operator-login-file; leave it out of the URL")
	if _, err := printing.ParseDPI(strconv.Itoa(s.LabelDPI)); err != nil {
		bad(true, "label-%v", err)
	}
	errs = append(errs, checkReceivers(s.Receivers)...)
	switch s.Log {
	case "debug", "info", "warn", "error":
	default:
		bad(true, "log: %q must be debug, info, warn or error", s.Log)
	}
	return errors.Join(errs...)
}

// Asks tells whether people are asked to sign in.
func (s *Settings) Asks() bool { return s.SignIn != "off" && !s.Demo && s.Clock != "steered" }

// loopback tells whether an address, with or without its port, is this machine's alone.
func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		host = address
	}
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// OIDCSecret reads our secret at the house's own sign-in, "" for none.
func (s *Settings) OIDCSecret() (string, error) {
	if s.OIDCSecretFile == "" {
		return "", nil
	}
	data, err := os.ReadFile(s.OIDCSecretFile)
	if err != nil {
		return "", fmt.Errorf("oidc-secret-file: %w", err)
	}
	return strings.TrimSpace(string(data)), nil
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

// Names are those of TLSNames, one by one.
func (s *Settings) Names() []string {
	var names []string
	for name := range strings.SplitSeq(s.TLSNames, ",") {
		if name = strings.TrimSpace(name); name != "" {
			names = append(names, name)
		}
	}
	return names
}

// aHost is a host name of letters, digits and hyphens (RFC 1123, 2.1), with a star in
// front of it for all of one level (RFC 6125, 6.4.3).
var aHost = regexp.MustCompile(`^(\*\.)?([a-zA-Z0-9]([a-zA-Z0-9-]{0,61}[a-zA-Z0-9])?)(\.[a-zA-Z0-9]([a-zA-Z0-9-]{0,61}[a-zA-Z0-9])?)*$`)

// IsName tells whether a certificate can hold name: an address, or a host name.
func IsName(name string) bool {
	if a, err := netip.ParseAddr(name); err == nil {
		return a.Zone() == ""
	}
	// The last part of a host name is never a number (RFC 1123, 2.1): such a one is an
	// address with a mistake.
	last := name[strings.LastIndex(name, ".")+1:]
	return len(name) <= 253 && aHost.MatchString(name) && strings.Trim(last, "0123456789") != ""
}

// HasLogin tells whether one of the addresses, with commas between, names a user.
func HasLogin(addresses string) bool { return strings.Contains(addresses, "@") }

// Cluster gives the addresses of the external cluster for both its users, with what
// their login files say; "" and "" without one. They hold passwords: they are for the
// connection, not for a log.
func (s *Settings) Cluster() (daemon, operator string, err error) {
	if s.NATS == "" {
		return "", "", nil
	}
	if daemon, err = withLogin(s.NATS, "nats-login-file", s.NATSLoginFile); err != nil {
		return "", "", err
	}
	operator = s.OperatorNATS
	if operator == "" && s.OperatorLoginFile != "" {
		operator = withoutLogin(s.NATS)
	}
	operator, err = withLogin(operator, "operator-login-file", s.OperatorLoginFile)
	return daemon, operator, err
}

// withLogin puts the user and password of a file into each of the addresses.
func withLogin(addresses, setting, file string) (string, error) {
	if file == "" {
		return addresses, nil
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("%s: %w", setting, err)
	}
	user, password, ok := strings.Cut(strings.TrimSpace(string(data)), ":")
	if !ok || user == "" || password == "" || strings.ContainsAny(user+password, "\r\n") {
		return "", fmt.Errorf("%s: %s must hold one line, user:password", setting, file)
	}
	// A comma may stand in a URL, but it parts the addresses.
	login := strings.ReplaceAll(url.UserPassword(user, password).String(), ",", "%2C")
	all := strings.Split(addresses, ",")
	for i, one := range all {
		scheme, rest, ok := strings.Cut(strings.TrimSpace(one), "://")
		if !ok {
			scheme, rest = "nats", scheme
		}
		all[i] = scheme + "://" + login + "@" + rest
	}
	return strings.Join(all, ","), nil
}

func withoutLogin(addresses string) string {
	all := strings.Split(addresses, ",")
	for i, one := range all {
		scheme, rest, ok := strings.Cut(strings.TrimSpace(one), "://")
		if !ok {
			scheme, rest = "nats", scheme
		}
		all[i] = scheme + "://" + rest[strings.LastIndex(rest, "@")+1:]
	}
	return strings.Join(all, ",")
}
