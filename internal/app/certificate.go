package app

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"specimen.example/custody/internal/config"
	"specimen.example/custody/internal/eventlog"
)

const (
	// certificateLife: below the 398 days that browsers took from authorities for years,
	// and a term that people remember.
	certificateLife = 397 * 24 * time.Hour
	// certificateEnds is how long before its end a certificate is made anew, or warned of.
	certificateEnds = 30 * 24 * time.Hour
	// certificateSlack: clients whose clock is behind by this take a new certificate.
	certificateSlack = time.Hour
	// lookEvery is how often files are looked at, and the end of the certificate.
	lookEvery = 2 * time.Second
)

// The files in the folder of a certificate that is made here. The first may be given
// to those who are to trust it.
const (
	certificateFile    = "certificate.pem"
	certificateKeyFile = "key.pem"
)

// CertificateOptions say which certificate is shown.
type CertificateOptions struct {
	// CertFile and KeyFile are the house's own, in PEM. Both or none.
	CertFile, KeyFile string
	// Dir keeps the one that is made where there is none of the house. It is made.
	Dir string
	// Names are the host names and addresses of the one that is made.
	Names  []string
	Now    func() time.Time // of the real clock: clients judge by theirs
	Rand   io.Reader
	Logger *slog.Logger
}

// Certificate is what the listener shows. It changes while connections are open.
type Certificate struct {
	o CertificateOptions

	mu    sync.RWMutex // guards shown
	shown *tls.Certificate

	// These belong to Look, which one goroutine calls.
	read   []byte    // what the house's files held when they were last taken
	failed string    // the error that was logged last
	warned time.Time // of the end of the house's own
}

// OpenCertificate reads the house's certificate, or the one that was made before, or
// makes one. Errors name the setting.
func OpenCertificate(o CertificateOptions) (*Certificate, error) {
	c := &Certificate{o: o}
	if o.CertFile != "" {
		if err := c.readOwn(); err != nil {
			return nil, err
		}
		c.warn()
		return c, nil
	}
	c.o.Names = certificateNames(o.Names)
	return c, c.renew()
}

// Config is the listener's: TLS 1.2 (RFC 9325, 3.1.1) and newer, HTTP/2 before HTTP/1.1.
func (c *Certificate) Config() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12,
		NextProtos: []string{"h2", "http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			return c.current(), nil
		},
	}
}

func (c *Certificate) current() *tls.Certificate {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.shown
}

// Say tells what is shown, for the person who starts the daemon: whoever connects can
// compare the SHA-256 of it.
func (c *Certificate) Say() string {
	leaf := c.current().Leaf
	where := "made here; those who are to trust it need " + filepath.Join(c.o.Dir, certificateFile)
	if c.o.CertFile != "" {
		where = "from " + c.o.CertFile
	}
	return fmt.Sprintf("its certificate (%s) holds until %s, for %s\nSHA-256 %s",
		where, leaf.NotAfter.UTC().Format("2006-01-02 15:04Z"), strings.Join(namesOf(leaf), ", "), Fingerprint(leaf))
}

// Fingerprint is the SHA-256 of a certificate as other programs print it.
func Fingerprint(leaf *x509.Certificate) string {
	sum := sha256.Sum256(leaf.Raw)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = strings.ToUpper(hex.EncodeToString([]byte{b}))
	}
	return strings.Join(pairs, ":")
}

// Watch looks until ctx ends.
func (c *Certificate) Watch(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			c.Look()
		}
	}
}

// Look reads the house's files when they changed, or makes the certificate anew when
// it ends soon. What fails is logged once, and the one before stays.
func (c *Certificate) Look() {
	err := c.renew
	if c.o.CertFile != "" {
		err = c.readOwn
		defer c.warn()
	}
	if err := err(); err != nil {
		if c.failed != err.Error() {
			c.o.Logger.Error("the certificate stays as it is: "+err.Error(), slog.String("until", c.current().Leaf.NotAfter.UTC().Format(time.RFC3339)))
		}
		c.failed = err.Error()
		return
	}
	c.failed = ""
}

// readOwn takes the house's files unless they are as they were.
func (c *Certificate) readOwn() error {
	cert, err := os.ReadFile(c.o.CertFile)
	if err != nil {
		return fmt.Errorf("tls-cert: %w", err)
	}
	key, err := os.ReadFile(c.o.KeyFile)
	if err != nil {
		return fmt.Errorf("tls-key: %w", err)
	}
	read := slices.Concat(cert, []byte{0}, key)
	if bytes.Equal(read, c.read) {
		return nil
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return fmt.Errorf("tls-cert, tls-key: %s and %s must hold a certificate and its key in PEM: %w", c.o.CertFile, c.o.KeyFile, err)
	}
	before := c.current()
	c.read, c.warned = read, time.Time{}
	c.show(&pair)
	if before != nil {
		c.o.Logger.Info("the certificate was read again", slog.String("sha256", Fingerprint(pair.Leaf)), slog.Time("until", pair.Leaf.NotAfter))
	}
	return nil
}

// warn tells once a day of the end of the house's certificate, which only people can
// make anew.
func (c *Certificate) warn() {
	now, leaf := c.o.Now(), c.current().Leaf
	if leaf.NotAfter.Sub(now) >= certificateEnds && !now.Before(leaf.NotBefore) || now.Sub(c.warned) < 24*time.Hour {
		return
	}
	c.warned = now
	say := "the certificate ends soon; put another into tls-cert and tls-key, which are read again without a restart"
	switch {
	case now.Before(leaf.NotBefore):
		say = "the certificate does not hold yet, and clients refuse it; is the clock right?"
	case now.After(leaf.NotAfter):
		say = "the certificate has ended, and clients refuse it; put another into tls-cert and tls-key"
	}
	c.o.Logger.Warn(say, slog.String("file", c.o.CertFile), slog.Time("from", leaf.NotBefore), slog.Time("until", leaf.NotAfter))
}

func (c *Certificate) show(pair *tls.Certificate) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.shown = pair
}

// renew shows the certificate of the folder, or a new one where it is missing, damaged,
// of other names or near its end.
func (c *Certificate) renew() error {
	why := c.unfit(c.current())
	if why == "" {
		return nil
	}
	if c.current() == nil {
		pair, err := tls.LoadX509KeyPair(filepath.Join(c.o.Dir, certificateFile), filepath.Join(c.o.Dir, certificateKeyFile))
		switch {
		case err == nil:
			why = c.unfit(&pair)
		case !errors.Is(err, os.ErrNotExist):
			why = err.Error()
		}
		if why == "" {
			c.show(&pair)
			return nil
		}
	}
	pair, err := c.issue()
	if err != nil {
		return fmt.Errorf("data: a certificate can't be made in %s: %w", c.o.Dir, err)
	}
	c.show(pair)
	c.o.Logger.Info("a certificate was made", slog.String("why", why), slog.String("sha256", Fingerprint(pair.Leaf)), slog.Time("until", pair.Leaf.NotAfter))
	return nil
}

// unfit says why a certificate that was made here can't be shown, or "".
func (c *Certificate) unfit(pair *tls.Certificate) string {
	if pair == nil {
		return "there is none"
	}
	now := c.o.Now()
	switch leaf := pair.Leaf; {
	case leaf.NotAfter.Sub(now) < certificateEnds:
		return "the one before ends " + leaf.NotAfter.UTC().Format(time.RFC3339)
	case now.Before(leaf.NotBefore):
		return "the one before was made under a clock that was ahead"
	case !slices.Equal(namesOf(leaf), c.o.Names):
		return "the names changed"
	}
	return ""
}

// issue makes a certificate, signed by its own key, and keeps it. It can sign no other
// (CA:FALSE; RFC 5280, 4.2.1.9): who trusts it trusts this daemon and nobody else,
// also when its key was stolen.
func (c *Certificate) issue() (*tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), c.o.Rand)
	if err != nil {
		return nil, err
	}
	// RFC 5280, 4.1.2.2: positive, at most 20 octets. 127 bits of it are random.
	serial := make([]byte, 16)
	if _, err := io.ReadFull(c.o.Rand, serial); err != nil {
		return nil, err
	}
	serial[0] = serial[0]&0x7f | 0x40
	public, err := x509.MarshalPKIXPublicKey(&key.PublicKey)
	if err != nil {
		return nil, err
	}
	id := sha256.Sum256(public)
	from := c.o.Now().UTC().Add(-certificateSlack).Truncate(time.Second)
	template := &x509.Certificate{
		SerialNumber: new(big.Int).SetBytes(serial),
		// The issuer must have a name (4.1.2.4); clients look at the alternative ones.
		Subject: pkix.Name{CommonName: "custodyd"},
		// Both ends belong to it (4.1.2.5).
		NotBefore: from, NotAfter: from.Add(certificateLife - time.Second),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, SubjectKeyId: id[:20],
	}
	for _, name := range c.o.Names {
		if a, err := netip.ParseAddr(name); err == nil {
			template.IPAddresses = append(template.IPAddresses, a.AsSlice())
		} else {
			template.DNSNames = append(template.DNSNames, name)
		}
	}
	der, err := x509.CreateCertificate(c.o.Rand, template, template, &key.PublicKey, key)
	if err != nil {
		return nil, err
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	keyPEM := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8})
	if err := os.MkdirAll(c.o.Dir, 0o700); err != nil {
		return nil, err
	}
	// A power cut between the two leaves a pair that doesn't fit, and another is made.
	if err := eventlog.WriteDurably(filepath.Join(c.o.Dir, certificateKeyFile), keyPEM); err != nil {
		return nil, err
	}
	if err := eventlog.WriteDurably(filepath.Join(c.o.Dir, certificateFile), certPEM); err != nil {
		return nil, err
	}
	pair, err := tls.X509KeyPair(certPEM, keyPEM)
	return &pair, err
}

// certificateNames are names in the order of namesOf, each once, without what a
// certificate can't hold.
func certificateNames(names []string) []string {
	var hosts, addresses []string
	for _, name := range names {
		if a, err := netip.ParseAddr(name); err == nil && a.Zone() == "" {
			if !a.IsUnspecified() {
				addresses = append(addresses, a.Unmap().String())
			}
		} else if name = strings.ToLower(name); config.IsName(name) {
			hosts = append(hosts, name)
		}
	}
	slices.Sort(hosts)
	slices.Sort(addresses)
	return append(slices.Compact(hosts), slices.Compact(addresses)...)
}

// namesOf are the names of a certificate: hosts, then addresses, as they stand in it.
func namesOf(leaf *x509.Certificate) []string {
	names := slices.Clone(leaf.DNSNames)
	for _, ip := range leaf.IPAddresses {
		if a, ok := netip.AddrFromSlice(ip); ok {
			names = append(names, a.Unmap().String())
		}
	}
	return names
}
