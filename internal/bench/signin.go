package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/event"
)

// asks is how many requests of a kind each way makes. A caller may make 300 a second and
// 600 at once (internal/auth/limits.go): each way is a caller of its own and stays within
// the 600 with both kinds, so nobody is held up and nothing need be paced.
const asks = 250

// way is one way to say who calls. Without sign-in nobody is asked.
type way struct {
	name   string
	url    string
	client *http.Client
	token  string
	phone  *phone // signs each scan
	tube   string // that is asked for

	got, put sample
}

// signingIn measures what it costs to be known: the same request over REST on the
// loopback, without sign-in and by each way to say who calls, in turns.
func signingIn(ctx context.Context, s *settings, t *table) error {
	open, err := openHouse(ctx, false)
	if err != nil {
		return err
	}
	defer open.close()
	shut, err := openHouse(ctx, true)
	if err != nil {
		return err
	}
	defer shut.close()
	ways, err := shut.ways(ctx)
	if err != nil {
		return err
	}
	ways = append([]*way{{name: "no sign-in", url: open.url, client: &http.Client{Transport: &http.Transport{}}, tube: open.tube}}, ways...)
	for i := range asks + 20 {
		for _, w := range ways {
			if w.phone == nil { // what is signed is a scan
				if err := w.time(ctx, &w.got, i >= 20, http.MethodGet, "/v1/tubes/"+w.tube, nil); err != nil { // the first ones only warm up
					return err
				}
			}
			body, err := w.scan()
			if err != nil {
				return err
			}
			if err := w.time(ctx, &w.put, i >= 20, http.MethodPost, "/v1/scans", body); err != nil {
				return err
			}
		}
	}
	for _, kind := range []struct {
		name string
		of   func(*way) *sample
	}{{"GET tube", func(w *way) *sample { return &w.got }}, {"POST scan", func(w *way) *sample { return &w.put }}} {
		bare := kind.of(ways[0]).quantile(0.5)
		for _, w := range ways {
			of := kind.of(w)
			if len(of.delays) == 0 {
				continue
			}
			r := row{Part: "sign-in", What: kind.name + ", " + w.name, Callers: 1, P50: of.quantile(0.5), P99: of.quantile(0.99)}
			if w != ways[0] {
				r.Said = fmt.Sprintf("%.2f of no sign-in", r.P50/bare)
			}
			t.add(r)
		}
	}
	s.tell("sign-in: %d requests of each kind", asks)
	return nil
}

// time makes a request and keeps how long it took.
func (w *way) time(ctx context.Context, into *sample, keep bool, method, path string, body []byte) error {
	begin := time.Now()
	answer, err := w.do(ctx, method, path, body)
	took := time.Since(begin)
	if err == nil && method == http.MethodPost && !bytes.Contains(answer, []byte(`"recorded"`)) {
		err = fmt.Errorf("%s %s by %s: %s", method, path, w.name, answer)
	}
	if keep {
		into.delays, into.done = append(into.delays, took), into.done+1
	}
	return err
}

func (w *way) do(ctx context.Context, method, path string, body []byte) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, method, w.url+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	if w.token != "" {
		req.Header.Set("Authorization", "Bearer "+w.token)
	}
	resp, err := w.client.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s %s by %s: HTTP %d: %s", method, path, w.name, resp.StatusCode, answer)
	}
	return answer, err
}

// scan is a scan of a tube that nobody scanned before, signed where a phone does. Signing
// is the phone's work and isn't measured.
func (w *way) scan() ([]byte, error) {
	scan := map[string]any{
		"id": id(), "step": "see", "occurredAt": clock().Time().Format(time.RFC3339Nano), "place": "CLINIC",
		"label": map[string]any{"text": "S" + id()[24:]},
	}
	if w.phone == nil {
		return json.Marshal(map[string]any{"scans": []any{scan}})
	}
	scan["device"] = "H-01"
	text, err := json.Marshal(scan)
	if err != nil {
		return nil, err
	}
	signature, err := w.phone.sign(string(text))
	return []byte(`{"scans":[{"attested":{"scan":"` + base64.StdEncoding.EncodeToString(text) + `","keyId":"` + w.phone.keyID + `","signature":"` + signature + `"}}]}`), err
}

// phone is an enrolled device's key.
type phone struct {
	key   *ecdsa.PrivateKey
	keyID string
}

// sign signs as browsers do: r and s of 32 bytes each.
func (p *phone) sign(text string) (string, error) {
	sum := sha256.Sum256([]byte(text))
	r, s, err := ecdsa.Sign(rand.Reader, p.key, sum[:])
	if err != nil {
		return "", err
	}
	out := make([]byte, 64)
	r.FillBytes(out[:32])
	s.FillBytes(out[32:])
	return base64.StdEncoding.EncodeToString(out), nil
}

// house is a daemon on the loopback with one tube.
type house struct {
	*product
	url, tube string
}

func openHouse(ctx context.Context, signIn bool) (*house, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p, err := openProduct(ctx, l, func(parts *app.Parts) { parts.SignIn = signIn })
	if err != nil {
		return nil, err
	}
	b := &bundle{p: p}
	h := &house{product: p, url: "http://" + l.Addr().String(), tube: b.label(0)}
	if err := b.next(ctx); err != nil { // collects it
		p.close()
		return nil, err
	}
	return h, nil
}

// ways sets a house up and gives each way to call it: a session, a machine's token, and a
// phone that signs, whose scans another session sends.
func (h *house) ways(ctx context.Context) ([]*way, error) {
	engineer, err := h.visitor("engineer")
	if err != nil {
		return nil, err
	}
	link, err := h.app.SetUpLink(ctx)
	if err != nil {
		return nil, err
	}
	if err := engineer.form(ctx, link, url.Values{"code": {"mira"}, "badge": {"B-1"}, "pin": {pin}, "again": {pin}}); err != nil {
		return nil, err
	}
	put := func(method, path, body string, into any) error {
		answer, err := engineer.do(ctx, method, path, []byte(body))
		if err == nil && into != nil {
			err = json.Unmarshal(answer, into)
		}
		return err
	}
	var ways []*way
	for _, who := range []string{"lena", "oskar"} {
		if err := put(http.MethodPut, "/v1/people/"+who, `{"role":"`+event.RoleCollector+`","active":true}`, nil); err != nil {
			return nil, err
		}
		if err := put(http.MethodPut, "/v1/people/"+who+"/sign-in", `{"badge":"B-`+who+`","pin":"`+pin+`"}`, nil); err != nil {
			return nil, err
		}
		w, err := h.visitor("session cookie")
		if err != nil {
			return nil, err
		}
		if err := w.form(ctx, "/sign-in", url.Values{"badge": {"B-" + who}, "pin": {pin}}); err != nil {
			return nil, err
		}
		ways = append(ways, w)
	}
	signed := ways[1]
	signed.name, signed.phone = "signed by a phone, session cookie", &phone{}
	if err := signed.phone.enrol(put); err != nil {
		return nil, err
	}
	machine, err := h.visitor("machine's token")
	if err != nil {
		return nil, err
	}
	var token struct{ Secret string }
	if err := put(http.MethodPost, "/v1/tokens", `{"name":"bench","scopes":["read","scans"],"days":1}`, &token); err != nil {
		return nil, err
	}
	machine.token = token.Secret
	return []*way{ways[0], machine, signed}, nil
}

const pin = "730581"

// enrol makes a phone known by an engineer's calls.
func (p *phone) enrol(put func(method, path, body string, into any) error) (err error) {
	if p.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
		return err
	}
	spki, err := x509.MarshalPKIXPublicKey(&p.key.PublicKey)
	if err != nil {
		return err
	}
	if err := put(http.MethodPut, "/v1/devices/H-01", `{"kind":"phone","active":true}`, nil); err != nil {
		return err
	}
	var invite struct{ Code string }
	if err := put(http.MethodPost, "/v1/devices/H-01:invite", `{}`, &invite); err != nil {
		return err
	}
	proof, err := p.sign("enrol " + invite.Code)
	if err != nil {
		return err
	}
	var known struct{ KeyID string }
	err = put(http.MethodPost, "/v1/devices:enrol", `{"code":"`+invite.Code+`","publicKey":"`+base64.StdEncoding.EncodeToString(spki)+`","proof":"`+proof+`"}`, &known)
	p.keyID = known.KeyID
	return err
}

// visitor is a caller with a connection and cookies of its own.
func (h *house) visitor(name string) (*way, error) {
	jar, err := cookiejar.New(nil)
	return &way{name: name, url: h.url, tube: h.tube, client: &http.Client{
		Jar: jar, Transport: &http.Transport{}, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, err
}

// form sends a form that leads on.
func (w *way) form(ctx context.Context, path string, v url.Values) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url+path, bytes.NewReader([]byte(v.Encode())))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	resp, err := w.client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusSeeOther {
		answer, _ := io.ReadAll(resp.Body) // beside the code it only explains
		return fmt.Errorf("%s: HTTP %d: %s", path, resp.StatusCode, answer)
	}
	return nil
}
