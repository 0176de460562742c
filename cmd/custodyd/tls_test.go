package main

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/app"
)

// httpsGet asks as somebody who was given the file, under a name of the certificate.
func httpsGet(t *testing.T, port, path, file, name string) (int, string, error) {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(data) {
		t.Fatalf("%s holds no certificate", file)
	}
	c := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, ServerName: name, MinVersion: tls.VersionTLS12}}}
	defer c.CloseIdleConnections()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "https://127.0.0.1:"+port+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := c.Do(req)
	if err != nil {
		return 0, "", err
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(text), err
}

// portOf is the port of an address that a daemon printed.
func portOf(t *testing.T, address string) string {
	t.Helper()
	_, port, err := net.SplitHostPort(strings.TrimPrefix(strings.TrimPrefix(address, "https://"), "http://"))
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// probed asks as a probe does.
func probed(t *testing.T, args ...string) (int, string) {
	t.Helper()
	var out, err bytes.Buffer
	return run(t.Context(), append([]string{"healthy"}, args...), &out, &err), err.String()
}

// Off the loopback there is TLS and nothing else; its certificate is made once, its
// fingerprint is printed, and it is trusted by its file.
func TestOffTheLoopbackThereIsTLSAlone(t *testing.T) {
	data := t.TempDir()
	args := []string{"--data", data, "--listen", "0.0.0.0:0", "--tls-names", "custody.example,10.0.0.7"}
	printed := ""
	for range 2 {
		d := launch(t, args...)
		address := d.address()
		if !strings.HasPrefix(address, "https://") {
			t.Errorf("it serves on %s", address)
		}
		port, file := portOf(t, address), filepath.Join(data, "tls", "certificate.pem")
		for _, name := range []string{"localhost", "127.0.0.1", "custody.example", "10.0.0.7"} {
			if code, text, err := httpsGet(t, port, "/readyz", file, name); err != nil || code != http.StatusOK {
				t.Errorf("as %s: %d %s %v", name, code, text, err)
			}
		}
		if _, _, err := httpsGet(t, port, "/readyz", file, "other.example"); err == nil {
			t.Error("it is taken for another")
		}
		for _, path := range []string{"/readyz", "/wall", "/v1/flags"} {
			if code, text := get(t, "http://127.0.0.1:"+port+path); code != http.StatusBadRequest || strings.Contains(text, "<") {
				t.Errorf("%s in the clear: %d %s", path, code, text)
			}
		}
		// A probe in an image knows less than the daemon; one with its settings knows all.
		for _, settings := range [][]string{
			{"--listen", "127.0.0.1:" + port}, {"--listen", "0.0.0.0:" + port}, {"--listen", "localhost:" + port},
			{"--listen", "127.0.0.1:" + port, "--tls-names", "custody.example"},
			{"--listen", "127.0.0.1:" + port, "--tls-cert", "/not/to/be/read", "--tls-key", "/nor/this"},
		} {
			if code, say := probed(t, settings...); code != exitDone || say != "" {
				t.Errorf("healthy %q: %d %s", settings, code, say)
			}
		}
		_, after, found := strings.Cut(d.out.String(), "SHA-256 ")
		sum, _, _ := strings.Cut(after, "\n")
		if !found || len(sum) != 32*3-1 || printed != "" && printed != sum {
			t.Errorf("it prints the fingerprint %q, before %q: %s", sum, printed, d.out)
		}
		printed = sum
		d.end()
	}
}

// The loopback is plain unless somebody asks for more.
func TestTheLoopbackIsPlainUnlessAsked(t *testing.T) {
	data := t.TempDir()
	d := launch(t, "--data", data, "--listen", "127.0.0.1:0")
	if address := d.address(); !strings.HasPrefix(address, "http://127.0.0.1:") || strings.Contains(d.out.String(), "SHA-256") {
		t.Errorf("it says %s", d.out)
	}
	d.end()
	if _, err := os.Stat(filepath.Join(data, "tls")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a certificate was made for nobody: %v", err)
	}
	d = launch(t, "--data", data, "--listen", "127.0.0.1:0", "--tls-names", "custody.example")
	if code, text, err := httpsGet(t, portOf(t, d.address()), "/readyz", filepath.Join(data, "tls", "certificate.pem"), "custody.example"); err != nil || code != http.StatusOK {
		t.Errorf("%d %s %v", code, text, err)
	}
	d.end()
}

// Without a place for a certificate and without one of the house nothing starts that
// would speak in the clear; with files that can't be used neither.
func TestWithoutACertificateNothingStarts(t *testing.T) {
	key := file(t, "an invented key for tests, long enough")
	for name, tc := range map[string]struct {
		args []string
		say  []string
	}{
		"no folder": {[]string{"--data", "", "--nats", "nats://127.0.0.1:1", "--key-file", key, "--listen", "0.0.0.0:0"}, []string{"listen", "TLS", "tls-cert", "tls-key", "data"}},
		"no files":  {[]string{"--data", t.TempDir(), "--listen", "0.0.0.0:0", "--tls-cert", "/none", "--tls-key", "/none"}, []string{"tls-cert", "/none"}},
		"no PEM":    {[]string{"--data", t.TempDir(), "--listen", "127.0.0.1:0", "--tls-cert", key, "--tls-key", key}, []string{"tls-cert", "PEM"}},
	} {
		d := launch(t, tc.args...)
		if code := d.ended(); code != exitFailed {
			t.Errorf("%s: exit %d", name, code)
		}
		for _, word := range tc.say {
			if !strings.Contains(d.err.String(), word) {
				t.Errorf("%s: %q is not in: %s", name, word, d.err)
			}
		}
	}
}

// Another certificate of the house is shown without a restart, and doctor tells its end.
func TestAnotherCertificateIsTakenWithoutARestart(t *testing.T) {
	sourceOf := func() (cert, key string) {
		dir := t.TempDir()
		_, err := app.OpenCertificate(app.CertificateOptions{Dir: dir, Names: []string{"custody.example"}, Now: time.Now, Rand: rand.Reader, Logger: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		return filepath.Join(dir, "certificate.pem"), filepath.Join(dir, "key.pem")
	}
	cert, key := sourceOf()
	data := t.TempDir()
	d := launch(t, "--data", data, "--listen", "127.0.0.1:0", "--tls-cert", cert, "--tls-key", key)
	port := portOf(t, d.address())
	if code, text, err := httpsGet(t, port, "/readyz", cert, "custody.example"); err != nil || code != http.StatusOK {
		t.Errorf("%d %s %v", code, text, err)
	}
	var out, said bytes.Buffer
	run(t.Context(), []string{"doctor", "--data", data, "--config", file(t, "tls-cert: "+cert+"\ntls-key: "+key+"\n")}, &out, &said)
	if !strings.Contains(out.String(), "ok       certificate  "+cert+" ends "+endOf(cert).UTC().Format("2006-01-02 15:04Z")) {
		t.Errorf("doctor says %s%s", &out, &said)
	}
	newCert, newKey := sourceOf()
	if err := errors.Join(os.Rename(newKey, key), os.Rename(newCert, cert)); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		code, _, err := httpsGet(t, port, "/readyz", cert, "custody.example")
		if err == nil && code == http.StatusOK {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the new certificate is not shown: %d %v", code, err)
		}
	}
	d.end()
}

// A certificate past its end lets no client in: that is not healthy.
func TestHealthyLooksAtTheEndOfTheCertificate(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "custody.example"}, DNSNames: []string{"custody.example"},
		NotBefore: time.Now().Add(-48 * time.Hour), NotAfter: time.Now().Add(-24 * time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	d := launch(t, "--data", t.TempDir(), "--listen", "127.0.0.1:0",
		"--tls-cert", file(t, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))),
		"--tls-key", file(t, string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}))))
	port := portOf(t, d.address())
	if code, say := probed(t, "--listen", "0.0.0.0:"+port); code != exitFailed || !strings.Contains(say, template.NotAfter.UTC().Format("2006-01-02")) || !strings.Contains(say, "tls-cert") {
		t.Errorf("%d %s", code, say)
	}
	if !strings.Contains(d.err.String(), "has ended") {
		t.Errorf("its log says %s", d.err)
	}
	d.end()
}

// The login of a cluster comes from its file: a server that isn't there is what fails,
// and the password is in no word of it.
func TestALoginFileIsRead(t *testing.T) {
	key := file(t, "an invented key for tests, long enough")
	ring := filepath.Join(t.TempDir(), "ring")
	args := []string{"--data", t.TempDir(), "--nats", "nats://127.0.0.1:1", "--key-file", key, "--identity-keys", ring, "--listen", "127.0.0.1:0"}
	d := launch(t, append(args, "--nats-login-file", file(t, "daemon:invented-password"))...)
	if code := d.ended(); code != exitFailed || strings.Contains(d.err.String()+d.out.String(), "invented-password") {
		t.Errorf("%d %s", code, d.err)
	}
	for _, command := range [][]string{{}, {"doctor"}} {
		var out, err bytes.Buffer
		if code := run(t.Context(), append(command, "--data", t.TempDir(), "--nats", "nats://127.0.0.1:1", "--key-file", key, "--identity-keys", ring, "--nats-login-file", file(t, "daemon")), &out, &err); code == exitDone || !strings.Contains(err.String(), "user:password") {
			t.Errorf("%q: %d %s", command, code, &err)
		}
	}
}
