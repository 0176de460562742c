package app_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/app"
)

// made are the options of a certificate that is made in dir, under a clock that the
// test sets.
func made(dir string, now *time.Time, log *bytes.Buffer, names ...string) app.CertificateOptions {
	return app.CertificateOptions{
		Dir: dir, Names: names, Now: func() time.Time { return *now }, Rand: rand.Reader, Logger: slog.New(slog.NewTextHandler(log, nil)),
	}
}

func open(t *testing.T, o app.CertificateOptions) *app.Certificate {
	t.Helper()
	c, err := app.OpenCertificate(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// shown is the certificate that a client would get now.
func shown(t *testing.T, c *app.Certificate) *x509.Certificate {
	t.Helper()
	pair, err := c.Config().GetCertificate(nil)
	if err != nil {
		t.Fatal(err)
	}
	return pair.Leaf
}

// trusting are the roots of somebody who was given the file.
func trusting(t *testing.T, file string) *x509.CertPool {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(data) {
		t.Fatalf("%s holds no certificate", file)
	}
	return pool
}

var someDay = time.Date(2026, time.November, 24, 8, 0, 0, 0, time.UTC)

// What is made holds to the clauses of RFC 5280, and the library's verifier takes it by
// its file for each of its names and for nothing else.
func TestAMadeCertificate(t *testing.T) {
	dir, now, log := filepath.Join(t.TempDir(), "tls"), someDay, new(bytes.Buffer)
	c := open(t, made(dir, &now, log, "localhost", "127.0.0.1", "::1", "Ward-Server", "custody.example", "10.0.0.7", "0.0.0.0", "no_name", "localhost"))
	leaf := shown(t, c)
	if got := strings.Join(leaf.DNSNames, " "); got != "custody.example localhost ward-server" || len(leaf.IPAddresses) != 3 {
		t.Errorf("names %q, %v", got, leaf.IPAddresses)
	}
	// 4.1.2.1: version 3 where there are extensions. 4.1.2.2: a positive number of at
	// most 20 octets. 4.1.2.4: an issuer with a name. 4.2.1.9: no authority. 4.2.1.3
	// and 4.2.1.12: it signs handshakes of a server.
	if leaf.Version != 3 || leaf.SerialNumber.Sign() != 1 || len(leaf.SerialNumber.Bytes()) > 20 || leaf.SerialNumber.BitLen() < 64 || leaf.Issuer.CommonName == "" {
		t.Errorf("version %d, serial %v, issuer %v", leaf.Version, leaf.SerialNumber, leaf.Issuer)
	}
	if !leaf.BasicConstraintsValid || leaf.IsCA || leaf.KeyUsage != x509.KeyUsageDigitalSignature || len(leaf.SubjectKeyId) == 0 {
		t.Errorf("authority %v, usage %v", leaf.IsCA, leaf.KeyUsage)
	}
	if key, ok := leaf.PublicKey.(*ecdsa.PublicKey); !ok || key.Curve != elliptic.P256() || leaf.SignatureAlgorithm != x509.ECDSAWithSHA256 {
		t.Errorf("%T, %v", leaf.PublicKey, leaf.SignatureAlgorithm)
	}
	// 4.1.2.5: the second of the end belongs to it.
	if life := leaf.NotAfter.Sub(leaf.NotBefore) + time.Second; life != 397*24*time.Hour || leaf.NotBefore.After(now.Add(-time.Hour)) {
		t.Errorf("it holds %s from %s", life, leaf.NotBefore)
	}
	file := filepath.Join(dir, "certificate.pem")
	check := x509.VerifyOptions{Roots: trusting(t, file), CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	for _, name := range []string{"localhost", "127.0.0.1", "::1", "WARD-server", "custody.example", "10.0.0.7"} {
		check.DNSName = name
		if strings.ContainsAny(name, ":") {
			check.DNSName = "[" + name + "]"
		}
		if _, err := leaf.Verify(check); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range []string{"other.example", "10.0.0.8", "wards.custody.example", "0.0.0.0"} {
		check.DNSName = name
		var wrong x509.HostnameError
		if _, err := leaf.Verify(check); !errors.As(err, &wrong) {
			t.Errorf("%s: %v", name, err)
		}
	}
	check.DNSName = "localhost"
	for name, change := range map[string]func(*x509.VerifyOptions){
		"as a client":         func(o *x509.VerifyOptions) { o.KeyUsages = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth} },
		"after its end":       func(o *x509.VerifyOptions) { o.CurrentTime = leaf.NotAfter.Add(time.Second) },
		"before its begin":    func(o *x509.VerifyOptions) { o.CurrentTime = leaf.NotBefore.Add(-time.Second) },
		"by who has no file":  func(o *x509.VerifyOptions) { o.Roots = x509.NewCertPool() },
		"by another one made": func(o *x509.VerifyOptions) { o.Roots = otherRoots(t) },
	} {
		o := check
		change(&o)
		if _, err := leaf.Verify(o); err == nil {
			t.Errorf("it is taken %s", name)
		}
	}
	// For its owner only.
	for path, want := range map[string]os.FileMode{dir: 0o700 | os.ModeDir, file: 0o600, filepath.Join(dir, "key.pem"): 0o600} {
		if info, err := os.Stat(path); err != nil || info.Mode() != want {
			t.Errorf("%s: %v, %v", path, info.Mode(), err)
		}
	}
	if say := c.Say(); !strings.Contains(say, app.Fingerprint(leaf)) || !strings.Contains(say, file) || !strings.Contains(say, "custody.example, localhost, ward-server, 10.0.0.7") {
		t.Errorf("it says %s", say)
	}
}

func otherRoots(t *testing.T) *x509.CertPool {
	t.Helper()
	now, dir := someDay, t.TempDir()
	open(t, made(dir, &now, new(bytes.Buffer), "localhost"))
	return trusting(t, filepath.Join(dir, "certificate.pem"))
}

// It stays the same over restarts, and is made anew when fewer than 30 days are left,
// when the names changed, or when it can't be read; each at the start, the first also
// while it runs.
func TestWhenACertificateIsMadeAnew(t *testing.T) {
	const day = 24 * time.Hour
	for name, tc := range map[string]struct {
		names  []string
		change func(dir string, now *time.Time, ends time.Time) error
		anew   bool
	}{
		"nothing changed":     {[]string{"localhost", "custody.example"}, nil, false},
		"another order":       {[]string{"custody.example", "LOCALHOST", "localhost"}, nil, false},
		"30 days are left":    {nil, func(_ string, now *time.Time, ends time.Time) error { *now = ends.Add(-30 * day); return nil }, false},
		"29 days are left":    {nil, func(_ string, now *time.Time, ends time.Time) error { *now = ends.Add(-29 * day); return nil }, true},
		"it has ended":        {nil, func(_ string, now *time.Time, ends time.Time) error { *now = ends.Add(day); return nil }, true},
		"the clock was ahead": {nil, func(_ string, now *time.Time, _ time.Time) error { *now = now.Add(-7 * day); return nil }, true},
		"a name more":         {[]string{"localhost", "custody.example", "10.0.0.7"}, nil, true},
		"a name less":         {[]string{"localhost"}, nil, true},
		"no certificate": {nil, func(dir string, _ *time.Time, _ time.Time) error {
			return os.Remove(filepath.Join(dir, "certificate.pem"))
		}, true},
		"no key": {nil, func(dir string, _ *time.Time, _ time.Time) error { return os.Remove(filepath.Join(dir, "key.pem")) }, true},
		"a damaged one": {nil, func(dir string, _ *time.Time, _ time.Time) error {
			return os.Truncate(filepath.Join(dir, "certificate.pem"), 100)
		}, true},
		"a key that fits not": {nil, otherKey, true},
	} {
		t.Run(name, func(t *testing.T) {
			dir, now, log := t.TempDir(), someDay, new(bytes.Buffer)
			first := shown(t, open(t, made(dir, &now, log, "localhost", "custody.example")))
			if tc.names == nil {
				tc.names = []string{"localhost", "custody.example"}
			}
			if tc.change != nil {
				if err := tc.change(dir, &now, first.NotAfter); err != nil {
					t.Fatal(err)
				}
			}
			second := shown(t, open(t, made(dir, &now, log, tc.names...)))
			if second.Equal(first) == tc.anew {
				t.Errorf("made anew: %v, want %v: %s", !tc.anew, tc.anew, log)
			}
			if _, err := second.Verify(x509.VerifyOptions{Roots: trusting(t, filepath.Join(dir, "certificate.pem")), DNSName: "localhost", CurrentTime: now}); err != nil {
				t.Error(err)
			}
			if third := shown(t, open(t, made(dir, &now, log, tc.names...))); !third.Equal(second) {
				t.Error("made anew at the next start too")
			}
		})
	}
	t.Run("while it runs", func(t *testing.T) {
		dir, now, log := t.TempDir(), someDay, new(bytes.Buffer)
		c := open(t, made(dir, &now, log, "localhost"))
		first := shown(t, c)
		now = first.NotAfter.Add(-30 * day)
		if c.Look(); !shown(t, c).Equal(first) {
			t.Error("made anew with 30 days left")
		}
		now = first.NotAfter.Add(-29 * day)
		// Where it can't be kept the one before stays, with one line in the log.
		moved := dir + "-moved"
		if err := errors.Join(os.Rename(dir, moved), os.WriteFile(dir, nil, 0o600)); err != nil {
			t.Fatal(err)
		}
		c.Look()
		c.Look()
		if !shown(t, c).Equal(first) || strings.Count(log.String(), "level=ERROR") != 1 {
			t.Errorf("%s", log)
		}
		if err := errors.Join(os.Remove(dir), os.Rename(moved, dir)); err != nil {
			t.Fatal(err)
		}
		c.Look()
		second := shown(t, c)
		if second.Equal(first) || second.NotAfter.Sub(now) < 395*day || !strings.Contains(log.String(), app.Fingerprint(second)) {
			t.Errorf("with 29 days left it holds until %s: %s", second.NotAfter, log)
		}
		if c.Look(); !shown(t, c).Equal(second) {
			t.Error("made anew once more")
		}
	})
}

// otherKey puts a sound key in place that is another's.
func otherKey(dir string, _ *time.Time, _ time.Time) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, "key.pem"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600)
}

// house is a pair of files as a house puts them.
type house struct{ cert, key string }

// put writes a fresh pair for a name.
func (h house) put(t *testing.T, now time.Time, name string) *x509.Certificate {
	t.Helper()
	dir := t.TempDir()
	leaf := shown(t, open(t, made(dir, &now, new(bytes.Buffer), name)))
	for from, to := range map[string]string{"certificate.pem": h.cert, "key.pem": h.key} {
		data, err := os.ReadFile(filepath.Join(dir, from))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return leaf
}

func newHouse(t *testing.T) house {
	t.Helper()
	dir := t.TempDir()
	return house{filepath.Join(dir, "tls.crt"), filepath.Join(dir, "tls.key")}
}

func (h house) options(now *time.Time, log *bytes.Buffer) app.CertificateOptions {
	return app.CertificateOptions{CertFile: h.cert, KeyFile: h.key, Now: func() time.Time { return *now }, Rand: rand.Reader, Logger: slog.New(slog.NewTextHandler(log, nil))}
}

// The house's files are needed at the start; while it runs a change is taken, and what
// doesn't fit is not.
func TestTheHousesCertificate(t *testing.T) {
	now, log, h := someDay, new(bytes.Buffer), newHouse(t)
	if _, err := app.OpenCertificate(h.options(&now, log)); err == nil || !strings.Contains(err.Error(), "tls-cert") {
		t.Errorf("no files: %v", err)
	}
	h.put(t, now, "custody.example")
	if err := os.Rename(h.key, h.key+"-moved"); err != nil {
		t.Fatal(err)
	}
	if _, err := app.OpenCertificate(h.options(&now, log)); err == nil || !strings.Contains(err.Error(), "tls-key") {
		t.Errorf("no key: %v", err)
	}
	if err := os.Rename(h.cert, h.key); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(h.key+"-moved", h.cert); err != nil {
		t.Fatal(err)
	}
	if _, err := app.OpenCertificate(h.options(&now, log)); err == nil || !strings.Contains(err.Error(), h.cert) || !strings.Contains(err.Error(), "PEM") {
		t.Errorf("the two exchanged: %v", err)
	}
	first := h.put(t, now, "custody.example")
	c := open(t, h.options(&now, log))
	if !shown(t, c).Equal(first) || !strings.Contains(c.Say(), h.cert) || !strings.Contains(c.Say(), app.Fingerprint(first)) {
		t.Errorf("it says %s", c.Say())
	}
	if err := os.WriteFile(h.cert, []byte("half a file"), 0o600); err != nil {
		t.Fatal(err)
	}
	c.Look()
	c.Look()
	if !shown(t, c).Equal(first) || strings.Count(log.String(), "level=ERROR") != 1 || !strings.Contains(log.String(), "tls-cert") {
		t.Errorf("a broken file: %s", log)
	}
	second := h.put(t, now, "custody.example")
	if c.Look(); !shown(t, c).Equal(second) || !strings.Contains(log.String(), app.Fingerprint(second)) {
		t.Errorf("a new pair: %s", log)
	}
	if err := os.Remove(h.key); err != nil {
		t.Fatal(err)
	}
	if c.Look(); !shown(t, c).Equal(second) || strings.Count(log.String(), "level=ERROR") != 2 || !strings.Contains(log.String(), "tls-key") {
		t.Errorf("no key any more: %s", log)
	}
}

// Only people can put another in place, so they are told, once a day.
func TestTheEndOfTheHousesCertificateIsToldInTime(t *testing.T) {
	const day = 24 * time.Hour
	now, log, h := someDay, new(bytes.Buffer), newHouse(t)
	leaf := h.put(t, now, "custody.example")
	c := open(t, h.options(&now, log))
	for _, step := range []struct {
		at    time.Time
		lines int
		say   string
	}{
		{leaf.NotAfter.Add(-30 * day), 0, ""},
		{leaf.NotAfter.Add(-29 * day), 1, "ends soon"},
		{leaf.NotAfter.Add(-29*day + time.Hour), 1, "ends soon"},
		{leaf.NotAfter.Add(-28 * day), 2, "ends soon"},
		{leaf.NotAfter.Add(day), 3, "has ended"},
		{leaf.NotBefore.Add(-time.Hour), 3, "has ended"}, // a clock that was set back is told a day later
	} {
		now = step.at
		c.Look()
		if strings.Count(log.String(), "level=WARN") != step.lines || !strings.Contains(log.String(), step.say) {
			t.Errorf("%s: want %d lines with %q: %s", step.at, step.lines, step.say, log)
		}
	}
	now = leaf.NotAfter.Add(day)
	log.Reset()
	if open(t, h.options(&now, log)); !strings.Contains(log.String(), "has ended") {
		t.Errorf("at a start: %s", log)
	}
	now = leaf.NotBefore.Add(-day)
	log.Reset()
	if open(t, h.options(&now, log)); !strings.Contains(log.String(), "not hold yet") {
		t.Errorf("at a start before it holds: %s", log)
	}
	if c := open(t, made(t.TempDir(), &now, log, "localhost")); !shown(t, c).NotBefore.Before(now) {
		t.Error("one that is made now does not hold yet")
	}
}
