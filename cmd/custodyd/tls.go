package main

import (
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/config"
)

// tlsFolder is where a certificate that is made here is kept, in the data folder.
const tlsFolder = "tls"

// certify gives the scheme of the address and the certificate that is shown there;
// nil is plain HTTP, which the loopback alone gets, as nobody else hears it. A
// certificate that was asked for is shown on the loopback too.
func certify(s config.Settings, address net.Addr, logger *slog.Logger) (string, *app.Certificate, error) {
	o := app.CertificateOptions{CertFile: s.TLSCert, KeyFile: s.TLSKey, Now: time.Now, Rand: rand.Reader, Logger: logger}
	tcp, ok := address.(*net.TCPAddr)
	if !ok {
		return "", nil, fmt.Errorf("listen: %s is no address of TCP", address)
	}
	if o.CertFile == "" {
		switch {
		case tcp.IP.IsLoopback() && s.TLSNames == "":
			return "http", nil, nil
		case s.Data == "":
			return "", nil, fmt.Errorf("listen: %s must speak TLS, and without a data folder there is no place for a certificate; give yours with tls-cert and tls-key, or a folder with data", address)
		}
		host, err := os.Hostname()
		if err != nil {
			return "", nil, fmt.Errorf("tls-names: the system doesn't tell its host name: %w", err)
		}
		listen, _, err := net.SplitHostPort(s.Listen)
		if err != nil {
			return "", nil, fmt.Errorf("listen: %w", err)
		}
		o.Dir = filepath.Join(s.Data, tlsFolder)
		o.Names = append(s.Names(), "localhost", "127.0.0.1", "::1", host, listen, tcp.IP.String())
	}
	certificate, err := app.OpenCertificate(o)
	return "https", certificate, err
}

// endOf is the end of the certificate in a file, the first one in it, which is the
// daemon's; zero when there is none to be read.
func endOf(file string) time.Time {
	data, err := os.ReadFile(file)
	if err != nil {
		return time.Time{}
	}
	block, _ := pem.Decode(data)
	if block == nil {
		return time.Time{}
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return time.Time{}
	}
	return leaf.NotAfter
}

// certificate judges the house's own. One that is made here is made anew in time.
func (w *ward) certificate() []check {
	const name = "certificate"
	const wanted = "30 days left at least"
	switch {
	case w.settings.TLSCert == "":
		return nil
	case w.ends.IsZero():
		return []check{{name, isUnknown, w.settings.TLSCert + " can't be read from here", wanted, "run doctor as a user who may read it"}}
	}
	return one(name, w.ends.Sub(w.now) >= 30*24*time.Hour, fmt.Sprintf("%s ends %s", w.settings.TLSCert, w.ends.UTC().Format("2006-01-02 15:04Z")), wanted,
		"put another into tls-cert and tls-key; a running daemon reads them again")
}
