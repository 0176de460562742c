package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// SignatureHeader carries when and with what a body was signed. WEBHOOK.md says how a
// receiver checks it.
const SignatureHeader = "Custody-Signature"

// What a receiver may send back, and how long it may take.
const (
	maxAnswer   = 4 << 10
	maxHeaders  = 16 << 10
	sendTimeout = 15 * time.Second
	longestWait = time.Hour
)

// Webhook posts messages to an address, signed.
type Webhook struct {
	url     string
	secrets [][]byte
	now     func() event.Instant
	zone    *time.Location
	client  *http.Client
}

// WebhookParts are what a Webhook is made of.
type WebhookParts struct {
	URL     string   // https; http for the loopback alone
	Secrets [][]byte // as by ReadSecrets
	Now     func() event.Instant
	Zone    *time.Location // of times in the text; nil is UTC
	Roots   *x509.CertPool // whom to trust; nil is whom the machine trusts
}

// NewWebhook checks the parts. Errors name the part and the remedy.
func NewWebhook(p WebhookParts) (*Webhook, error) {
	u, err := url.Parse(p.URL)
	switch {
	case err != nil:
		return nil, fmt.Errorf("notify: webhook address: %w", errors.Unwrap(err)) // not the address: it may hold a secret
	case u.Host == "" || u.Scheme != "https" && u.Scheme != "http":
		return nil, errors.New("notify: webhook address: give one that begins with https://")
	case u.User != nil || u.Fragment != "":
		return nil, errors.New("notify: webhook address: it holds a user or a fragment; the signature says who sends")
	case u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, errors.New("notify: webhook address: http goes to this machine alone; give one that begins with https://")
	}
	if err := checkSecrets("the list", p.Secrets); err != nil {
		return nil, err
	}
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	transport := &http.Transport{
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: p.Roots},
		TLSHandshakeTimeout:    5 * time.Second,
		ResponseHeaderTimeout:  sendTimeout,
		MaxResponseHeaderBytes: maxHeaders,
		MaxIdleConns:           1,
		IdleConnTimeout:        time.Minute,
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			return dial(ctx, network, address, u.Scheme == "http")
		},
	}
	client := &http.Client{
		Transport: transport, Timeout: sendTimeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return &Webhook{url: u.String(), secrets: p.Secrets, now: p.Now, zone: p.Zone, client: client}, nil
}

// body is what is posted. A repeat has the same bytes.
type body struct {
	Version int    `json:"version"`
	Subject string `json:"subject"`
	Text    string `json:"text"`
	Message
}

// Body gives the bytes that are posted for a message.
func (w *Webhook) Body(m Message) ([]byte, error) {
	return json.Marshal(body{Version: 1, Subject: m.Subject(), Text: m.Text(w.zone), Message: m})
}

// Sign gives the value of SignatureHeader: the Unix time in seconds, and for each
// secret HMAC-SHA-256 (RFC 2104, FIPS 180-4) in lower hexadecimal over the time's
// digits, a full stop and the body.
func Sign(secrets [][]byte, unix int64, body []byte) string {
	at := strconv.FormatInt(unix, 10)
	parts := []string{"t=" + at}
	for _, secret := range secrets {
		mac := hmac.New(sha256.New, secret)
		mac.Write([]byte(at + "."))
		mac.Write(body)
		parts = append(parts, "sha256="+hex.EncodeToString(mac.Sum(nil)))
	}
	return strings.Join(parts, " ")
}

// Send implements Channel. Only an answer of 200 to 299 counts as taken.
func (w *Webhook) Send(ctx context.Context, m Message) error {
	data, err := w.Body(m)
	if err != nil {
		return fmt.Errorf("notify: webhook: %w", err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url, bytes.NewReader(data))
	if err != nil {
		return fmt.Errorf("notify: webhook: %w", err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "custody")
	req.Header.Set("Idempotency-Key", strconv.Quote(m.ID))
	req.Header.Set(SignatureHeader, Sign(w.secrets, w.now().Time().Unix(), data))
	resp, err := w.client.Do(req)
	if err != nil {
		var long *url.Error // its text holds the address, which may hold a secret
		if errors.As(err, &long) {
			err = long.Err
		}
		return fmt.Errorf("notify: webhook: %w", err)
	}
	defer resp.Body.Close()
	_, _ = io.CopyN(io.Discard, resp.Body, maxAnswer) // so that the connection can be used again; nobody reads it
	said := "the receiver answered " + strconv.Itoa(resp.StatusCode)
	switch code := resp.StatusCode; {
	case code >= 200 && code <= 299:
		return nil
	case code == http.StatusTooManyRequests || code == http.StatusServiceUnavailable:
		seconds, err := strconv.ParseInt(resp.Header.Get("Retry-After"), 10, 32)
		if err != nil || seconds <= 0 {
			return errors.New("notify: webhook: " + said)
		}
		return &Later{min(time.Duration(seconds)*time.Second, longestWait), said}
	case code == http.StatusRequestTimeout || code == http.StatusTooEarly || code >= 500:
		return errors.New("notify: webhook: " + said)
	case code >= 300 && code <= 399:
		return &Refusal{said + ", which leads elsewhere; it isn't followed. Give the address it leads to"}
	default:
		return &Refusal{said}
	}
}
