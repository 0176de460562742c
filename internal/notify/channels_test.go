package notify_test

import (
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net/http"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/notify"
)

// flood is one message of 15 tubes.
func flood(t *testing.T) notify.Message {
	t.Helper()
	b := newBench(t)
	for i := range 15 {
		b.fold(inBox(raised(fmt.Sprintf("TB%02d", i), start, event.PastLimit), "KÜHL-7"))
	}
	ms := b.until(after(time.Minute))
	if len(ms) != 1 {
		t.Fatalf("want one message, got %d", len(ms))
	}
	return ms[0]
}

// The example of WEBHOOK.md, whose value was computed by openssl, not by us.
func TestTheSignatureIsAsOpenSSLSays(t *testing.T) {
	doc, err := os.ReadFile("WEBHOOK.md")
	if err != nil {
		t.Fatal(err)
	}
	got := notify.Sign([][]byte{secret}, 1764476381, []byte(`{"id":"1f","count":2}`))
	const want = "t=1764476381 sha256=5bcdca6bc36872034a589972d24ae380baddd6930b6008904dd15826cae8aca9"
	if got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if !strings.Contains(string(doc), want) {
		t.Error("WEBHOOK.md has another example")
	}
	if two := notify.Sign([][]byte{secret, []byte("the secret which comes after it.")}, 1764476381, []byte(`{"id":"1f","count":2}`)); !strings.HasPrefix(two, want+" sha256=") {
		t.Errorf("a second secret changes the first signature: %s", two)
	}
}

func TestWebhookIsTakenOnlyBy2xx(t *testing.T) {
	m := flood(t)
	elsewhere := 0
	for _, c := range []struct {
		name   string
		answer func(int, http.ResponseWriter, *http.Request) bool
		want   string // "", "refusal", "later", "again"
	}{
		{"taken", nil, ""},
		{"redirect", func(_ int, w http.ResponseWriter, r *http.Request) bool {
			elsewhere++
			http.Redirect(w, r, "/elsewhere", http.StatusTemporaryRedirect)
			return true
		}, "refusal"},
		{"not found", status(404, ""), "refusal"},
		{"busy", status(429, "7"), "later"},
		{"down", status(503, ""), "again"},
		{"broken", status(500, ""), "again"},
		{"endless answer", func(_ int, w http.ResponseWriter, _ *http.Request) bool {
			for range 10_000 {
				if _, err := w.Write(make([]byte, 1024)); err != nil {
					return true
				}
			}
			return true
		}, ""},
		{"cut", func(_ int, _ http.ResponseWriter, _ *http.Request) bool { panic(http.ErrAbortHandler) }, "again"},
	} {
		t.Run(c.name, func(t *testing.T) {
			parts, box := receiver(t, c.answer)
			w, err := notify.NewWebhook(parts)
			if err != nil {
				t.Fatal(err)
			}
			if got := kind(w.Send(t.Context(), m)); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
			if ids, _ := box.all(); c.name == "taken" && (len(ids) != 1 || ids[0] != m.ID) {
				t.Errorf("taken: %q", ids)
			}
		})
	}
	if elsewhere != 1 {
		t.Errorf("the redirect was followed: %d requests", elsewhere)
	}
	parts, _ := receiver(t, nil)
	parts.Roots = nil
	if w, err := notify.NewWebhook(parts); err != nil || kind(w.Send(t.Context(), m)) != "again" {
		t.Error("a certificate that nobody vouches for is trusted")
	}
	parts, _ = receiver(t, nil)
	parts.Secrets = [][]byte{[]byte("another secret, of 32 letters too")}
	if w, err := notify.NewWebhook(parts); err != nil || kind(w.Send(t.Context(), m)) != "refusal" {
		t.Error("the receiver took what another secret signed")
	}
}

func status(code int, after string) func(int, http.ResponseWriter, *http.Request) bool {
	return func(_ int, w http.ResponseWriter, _ *http.Request) bool {
		if after != "" {
			w.Header().Set("Retry-After", after)
		}
		w.WriteHeader(code)
		return true
	}
}

func kind(err error) string {
	var r *notify.Refusal
	var l *notify.Later
	switch {
	case err == nil:
		return ""
	case errors.As(err, &r):
		return "refusal"
	case errors.As(err, &l):
		return "later"
	default:
		return "again"
	}
}

func TestWrongPartsAreNamed(t *testing.T) {
	for address, want := range map[string]string{
		"http://receiver.example/": "https://", "ftp://x": "https://", "": "https://", "https://": "https://",
		"https://u:p@receiver.example/": "a user", "http://127.0.0.1.example/": "https://",
	} {
		_, err := notify.NewWebhook(notify.WebhookParts{URL: address, Secrets: [][]byte{secret}})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", address, err)
		}
	}
	if _, err := notify.NewWebhook(notify.WebhookParts{URL: "http://127.0.0.1:9/", Secrets: [][]byte{[]byte("short")}}); err == nil {
		t.Error("a short secret is taken")
	}
	good := notify.MailParts{Server: "mail.example:587", TLS: notify.StartTLS, From: "a@b.example", To: "lena@b.example"}
	for want, spoil := range map[string]func(*notify.MailParts){
		"mail server": func(p *notify.MailParts) { p.Server = "mail.example" },
		"mail TLS":    func(p *notify.MailParts) { p.TLS = notify.NoTLS },
		"mail user":   func(p *notify.MailParts) { p.User = "custody" },
		"mail from":   func(p *notify.MailParts) { p.From = "lena" },
		"mail to":     func(p *notify.MailParts) { p.To = "lena@b.example\r\nBcc: x@y.example" },
	} {
		p := good
		spoil(&p)
		if _, err := notify.NewMail(p); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte(string(secret)+"\n\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err := notify.ReadSecrets(file); err != nil || len(s) != 1 || string(s[0]) != string(secret) {
		t.Errorf("read %q, %v", s, err)
	}
}

func TestMailArrives(t *testing.T) {
	m := flood(t)
	for _, way := range []notify.MailTLS{notify.StartTLS, notify.ImplicitTLS, notify.NoTLS} {
		t.Run(string(way), func(t *testing.T) {
			p, parts := startPost(t, way)
			c, err := notify.NewMail(parts)
			if err != nil {
				t.Fatal(err)
			}
			for range 2 {
				if err := c.Send(t.Context(), m); err != nil {
					t.Fatal(err)
				}
			}
			ids, texts := p.box.all()
			if len(ids) != 2 || ids[0] != ids[1] || ids[0] != "<"+m.ID+"@lab.example>" {
				t.Fatalf("ids %q", ids)
			}
			if texts[0] != texts[1] {
				t.Error("a repeat is another mail")
			}
			got, err := mail.ReadMessage(strings.NewReader(texts[0]))
			if err != nil {
				t.Fatal(err)
			}
			subject, err := new(mime.WordDecoder).DecodeHeader(got.Header.Get("Subject"))
			if err != nil || subject != "Past its limit: 15 tubes, box KÜHL-7" {
				t.Errorf("subject %q, %v", subject, err)
			}
			if date, err := got.Header.Date(); err != nil || !date.Equal(m.Decided.Time().Truncate(time.Second)) {
				t.Errorf("date %v, %v", date, err)
			}
			if media, _, _ := mime.ParseMediaType(got.Header.Get("Content-Type")); media != "text/plain" || got.Header.Get("Auto-Submitted") != "auto-generated" {
				t.Errorf("header %v", got.Header)
			}
			body, err := io.ReadAll(quotedprintable.NewReader(got.Body))
			if err != nil || strings.TrimSpace(strings.ReplaceAll(string(body), "\r\n", "\n")) != strings.TrimSpace(m.Text(time.UTC)) {
				t.Errorf("body %q, %v", body, err)
			}
		})
	}
}

func TestMailThatIsNotTaken(t *testing.T) {
	m := flood(t)
	p, parts := startPost(t, notify.StartTLS)
	c, err := notify.NewMail(parts)
	if err != nil {
		t.Fatal(err)
	}
	for _, stage := range []string{"mail", "rcpt", "data"} {
		for code, want := range map[int]string{451: "again", 550: "refusal"} {
			p.answer = func(s string) error {
				if s == stage {
					return &smtp.SMTPError{Code: code, EnhancedCode: smtp.EnhancedCode{code / 100, 0, 0}, Message: "no"}
				}
				return nil
			}
			if got := kind(c.Send(t.Context(), m)); got != want {
				t.Errorf("%d at %s: %q, want %q", code, stage, got, want)
			}
		}
	}
	if ids, _ := p.box.all(); len(ids) != 0 {
		t.Errorf("taken: %q", ids)
	}
	wrong := parts
	wrong.Password = "another"
	if c, err := notify.NewMail(wrong); err != nil || kind(c.Send(t.Context(), m)) != "again" {
		t.Error("a wrong password is no trouble")
	}
	// A server that offers no TLS gets nothing, whoever cut the offer out.
	plain, bare := startPost(t, notify.NoTLS)
	bare.TLS = notify.StartTLS
	if c, err := notify.NewMail(bare); err != nil || kind(c.Send(t.Context(), m)) != "again" {
		t.Error("mail went without TLS")
	}
	if ids, _ := plain.box.all(); len(ids) != 0 {
		t.Error("mail went without TLS")
	}
}

// Nothing that could name a patient or a test has a field; what has one is a label, a
// place, a cause or a word of a closed list. This looks at what is really sent.
func TestWhatIsSentIsOfClosedLists(t *testing.T) {
	m := flood(t)
	parts, _ := receiver(t, nil)
	w, err := notify.NewWebhook(parts)
	if err != nil {
		t.Fatal(err)
	}
	body, err := w.Body(m)
	if err != nil {
		t.Fatal(err)
	}
	for _, no := range []string{"patient", "assay", "name\":\"mira", base64.StdEncoding.EncodeToString(secret), string(secret)} {
		if strings.Contains(string(body), no) {
			t.Errorf("the body holds %q", no)
		}
	}
}
