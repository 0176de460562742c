package notify_test

import (
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
	"net/http/httptest"
	"net/mail"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/notify"
)

var secret = []byte("an invented secret of 32 letters")

// inbox holds what a server has taken, in order: id and bytes.
type inbox struct {
	mu    sync.Mutex
	ids   []string
	texts []string
}

func (b *inbox) put(id, text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ids, b.texts = append(b.ids, id), append(b.texts, text)
}

func (b *inbox) all() ([]string, []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string{}, b.ids...), append([]string{}, b.texts...)
}

// verify is a receiver's check, written from WEBHOOK.md.
func verify(header string, body []byte, now time.Time) error {
	fields := strings.Fields(header)
	if len(fields) < 2 || !strings.HasPrefix(fields[0], "t=") {
		return errors.New("no time")
	}
	unix, err := strconv.ParseInt(fields[0][2:], 10, 64)
	if err != nil || now.Sub(time.Unix(unix, 0)).Abs() > 5*time.Minute {
		return errors.New("too old")
	}
	mac := hmac.New(sha256.New, secret)
	_, _ = fmt.Fprintf(mac, "%d.%s", unix, body)
	want := "sha256=" + hex.EncodeToString(mac.Sum(nil))
	for _, f := range fields[1:] {
		if hmac.Equal([]byte(f), []byte(want)) {
			return nil
		}
	}
	return errors.New("not signed by the secret")
}

// receiver is a webhook's other side over TLS. answer, if set, says what it answers
// to the nth request (from 0) that is signed well; 0 is taking it.
func receiver(t *testing.T, answer func(n int, w http.ResponseWriter, r *http.Request) bool) (notify.WebhookParts, *inbox) {
	t.Helper()
	var box inbox
	var mu sync.Mutex
	n := 0
	server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err == nil {
			err = verify(r.Header.Get(notify.SignatureHeader), body, start.Time())
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusForbidden)
			return
		}
		mu.Lock()
		i := n
		n++
		mu.Unlock()
		if answer != nil && answer(i, w, r) {
			return
		}
		var m struct{ ID string }
		if err := json.Unmarshal(body, &m); err != nil || strconv.Quote(m.ID) != r.Header.Get("Idempotency-Key") {
			http.Error(w, "id", http.StatusBadRequest)
			return
		}
		box.put(m.ID, string(body))
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(server.Close)
	pool := x509.NewCertPool()
	pool.AddCert(server.Certificate())
	return notify.WebhookParts{URL: server.URL + "/flags", Secrets: [][]byte{secret}, Now: func() event.Instant { return start }, Roots: pool}, &box
}

// post is a mail server, go-smtp's; answer may refuse a mail's recipient or end.
type post struct {
	box    inbox
	answer func(stage string) error
}

type session struct {
	p      *post
	secure bool
	signed bool
	to     string
}

func (s *session) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "custody" || password != "an invented password" {
			return smtp.ErrAuthFailed
		}
		s.signed = true
		return nil
	}), nil
}

func (s *session) ask(stage string) error {
	if s.p.answer != nil {
		return s.p.answer(stage)
	}
	return nil
}

func (s *session) Mail(string, *smtp.MailOptions) error {
	if s.secure && !s.signed {
		return smtp.ErrAuthRequired
	}
	return s.ask("mail")
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.to = to
	return s.ask("rcpt")
}

func (s *session) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if err := s.ask("data"); err != nil {
		return err
	}
	m, err := mail.ReadMessage(strings.NewReader(string(data)))
	if err != nil {
		return err
	}
	s.p.box.put(m.Header.Get("Message-Id"), string(data))
	return s.ask("taken")
}

func (s *session) Reset()        {}
func (s *session) Logout() error { return nil }

// startPost gives a mail server in one way of TLS and the parts that reach it.
func startPost(t *testing.T, way notify.MailTLS) (*post, notify.MailParts) {
	t.Helper()
	p := &post{}
	web := httptest.NewUnstartedServer(nil) // for its certificate of 127.0.0.1 alone
	web.StartTLS()
	cert, root := web.TLS.Certificates[0], web.Certificate()
	web.Close()
	server := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) {
		return &session{p: p, secure: way != notify.NoTLS}, nil
	}))
	server.Domain = "mail.example"
	server.ErrorLog = quiet{}
	server.ReadTimeout, server.WriteTimeout = 10*time.Second, 10*time.Second
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	conf := &tls.Config{Certificates: []tls.Certificate{cert}}
	address := l.Addr().String()
	switch way {
	case notify.StartTLS:
		server.TLSConfig = conf
	case notify.ImplicitTLS:
		server.TLSConfig = conf
		l = tls.NewListener(l, conf)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(l) }()
	t.Cleanup(func() { _ = server.Close(); <-done })
	pool := x509.NewCertPool()
	pool.AddCert(root)
	parts := notify.MailParts{
		Server: address, TLS: way, From: "custody@lab.example", To: "lena@clinic.example", Roots: pool,
	}
	if way != notify.NoTLS {
		parts.User, parts.Password = "custody", "an invented password"
	}
	return p, parts
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}
