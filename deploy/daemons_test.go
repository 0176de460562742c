package deploy_test

import (
	"bufio"
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	"specimen.example/custody/internal/eventlog/logtest"
)

// daemon is one that runs in the empty root.
type daemon struct {
	cmd    *exec.Cmd
	port   string
	client *http.Client  // trusts the daemon's certificate
	stderr *bytes.Buffer // read it only after the end
	lines  chan string   // what it prints
	token  string        // of a machine, once it is settled
}

// start starts argv and waits until it says that it serves. trust is the file of its
// certificate, in the root.
func (e *empty) start(t *testing.T, port string, argv []string, trust string) *daemon {
	t.Helper()
	d := &daemon{cmd: e.command(argv), port: port, stderr: new(bytes.Buffer)}
	d.cmd.Stderr = d.stderr
	stdout, err := d.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatalf("%v; root may do this, anybody else needs namespaces of users", err)
	}
	t.Cleanup(func() { _ = d.cmd.Process.Kill() })
	lines := make(chan string, 64) // more than it says in a test
	go func() {
		for in := bufio.NewScanner(stdout); in.Scan(); {
			lines <- in.Text()
		}
	}()
	d.lines = lines
	select {
	case line := <-lines:
		if !strings.Contains(line, "serves on https://") {
			_ = d.cmd.Wait()
			t.Fatalf("it does not serve: %s%s", line, d.stderr)
		}
	case <-time.After(logtest.Patience):
		t.Fatal("it does not serve")
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM([]byte(readFile(t, filepath.Join(e.root, trust)))) {
		t.Fatalf("%s holds no certificate", trust)
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}}
	t.Cleanup(transport.CloseIdleConnections)
	d.client = &http.Client{Transport: transport}
	return d
}

// settle sets up the laboratory by the link that the daemon prints, and gives a token
// of a machine by which asks are let in.
func (d *daemon) settle(t *testing.T) {
	t.Helper()
	link := ""
	for link == "" {
		select {
		case line := <-d.lines:
			link = regexp.MustCompile(`/set-up/\S+`).FindString(line)
		case <-time.After(logtest.Patience):
			t.Fatal("it prints no link")
		}
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	person := &http.Client{Transport: d.client.Transport, Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	send := func(path, typ, body string) (int, string) {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "https://127.0.0.1:"+d.port+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", typ)
		resp, err := person.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(text)
	}
	form := url.Values{"code": {"mira"}, "badge": {"B-1001"}, "pin": {"730581"}, "again": {"730581"}}
	if code, text := send(link, "application/x-www-form-urlencoded", form.Encode()); code != http.StatusSeeOther {
		t.Fatalf("set up: %d %s", code, text)
	}
	var made struct{ Secret string }
	code, text := send("/v1/tokens", "application/json", `{"name":"test","scopes":["scans","read","directory","metrics"],"days":1}`)
	if err := json.Unmarshal([]byte(text), &made); code != http.StatusOK || err != nil {
		t.Fatalf("a token: %d %s", code, text)
	}
	d.token = made.Secret
}

// stop ends it as systemd and containers do.
func (d *daemon) stop(t *testing.T) {
	t.Helper()
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Wait(); err != nil {
		t.Errorf("it ended with %v: %s", err, d.stderr)
	}
}

// ask gives the status and text of one call.
func (d *daemon) ask(t *testing.T, method, path, body string) (int, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, "https://127.0.0.1:"+d.port+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	if d.token != "" {
		req.Header.Set("Authorization", "Bearer "+d.token)
	}
	resp, err := d.client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

// options compares those of the program with the keys of its file: each is a key,
// and the keys that have none are these five.
func (e *empty) options(t *testing.T) {
	out, err := e.command([]string{"/custodyd", "--help"}).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var example map[string]any
	if err := yaml.Unmarshal([]byte(readFile(t, "custodyd.example.yaml")), &example); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"replicas", "max-bytes", "max-store", "memory-limit", "receivers"} {
		delete(example, key)
	}
	var want, have []string
	for key := range example {
		want = append(want, key)
	}
	for _, m := range regexp.MustCompile(`(?m)^  -([a-z-]+)`).FindAllStringSubmatch(string(out), -1) {
		if m[1] != "config" {
			have = append(have, m[1])
		}
	}
	slices.Sort(want)
	slices.Sort(have)
	if !slices.Equal(have, want) {
		t.Errorf("custodyd has the options\n%q\nthe example has the keys\n%q", have, want)
	}
}

const firstScan = `{"scans":[{"id":"first-1","step":"see","label":{"text":"TB260301"},"by":"lena","place":"LAB","occurredAt":"2026-11-24T09:00:00Z"}]}`

func (e *empty) custodyd(t *testing.T) {
	_, images := stagesOf(t)
	image := images["custodyd"]
	for _, v := range words(t, image.all("VOLUME")[0]) {
		e.folder(t, v)
	}
	// The image listens on 8080, which another test or program may hold: the port
	// alone is another here, in both commands.
	port := fmt.Sprint(freePorts(t, 1)[0])
	here := func(argv []string) []string {
		argv = slices.Clone(argv)
		for i := range argv {
			argv[i] = strings.Replace(argv[i], ":8080", ":"+port, 1)
		}
		return argv
	}
	entry := words(t, image.all("ENTRYPOINT")[0])
	_, check, _ := strings.Cut(image.all("HEALTHCHECK")[0], "CMD ")
	healthy := func() (string, error) {
		out, err := e.command(here(words(t, check))).CombinedOutput()
		return string(out), err
	}
	if _, err := healthy(); err == nil {
		t.Error("it is healthy before it runs")
	}
	d := e.start(t, port, here(slices.Concat(entry, words(t, image.all("CMD")[0]))), "/var/lib/custody/tls/certificate.pem")
	if out, err := healthy(); err != nil {
		t.Errorf("the health check: %v\n%s", err, out)
	}
	if code, text := d.ask(t, http.MethodPost, "/v1/scans", firstScan); code != http.StatusUnauthorized {
		t.Errorf("a scan from nobody: %d %s", code, text)
	}
	d.settle(t)
	// Only a program with its own time zones knows this one here.
	if code, text := d.ask(t, http.MethodPut, "/v1/places/LAB", `{"kind":"reception","by":"lena","zone":"Atlantic/Faroe"}`); code != http.StatusOK {
		t.Errorf("a place with a zone: %d %s", code, text)
	}
	if code, text := d.ask(t, http.MethodPut, "/v1/places/LAB", `{"kind":"reception","by":"lena","zone":"Atlantic/Nowhere"}`); code != http.StatusBadRequest {
		t.Errorf("a zone that is none: %d %s", code, text)
	}
	if code, text := d.ask(t, http.MethodPost, "/v1/scans", firstScan); code != http.StatusOK || !strings.Contains(text, "recorded") {
		t.Errorf("a scan: %d %s", code, text)
	}
	_, metrics := d.ask(t, http.MethodGet, "/metrics", "")
	for _, name := range metricsUsed(t) {
		if !strings.Contains(metrics, "\n# TYPE "+name+" ") {
			t.Errorf("an alert looks at %s, which the daemon doesn't have", name)
		}
	}
	for _, label := range []string{`custody_scan_answers_total{answer="recorded"}`, `custody_calls_total{code="OK",method="/specimen.custody.v1.Scans/RecordScans"}`} {
		if !strings.Contains(metrics, "\n"+label+" 1\n") {
			t.Errorf("no %s in\n%s", label, metrics)
		}
	}
	promtoolReads(t, metrics, "check", "metrics")
	d.stop(t)
	if _, err := healthy(); err == nil {
		t.Error("it is healthy after its end")
	}
}

// twoDaemons is what compose.yaml and cluster.yaml describe, with the settings that
// secrets.sh makes; the addresses alone are others, as all stand on this machine. One
// reads what the other wrote, one leads, and when it is killed the other takes over.
func (e *empty) twoDaemons(t *testing.T) {
	c := startNATS(t)
	made := secrets(t)
	text := readFile(t, filepath.Join(made, "custodyd.yaml"))
	s := settingsOf(t, "custodyd.yaml", text)
	e.folder(t, "/run/secrets")
	var daemons []*daemon
	for i, port := range freePorts(t, 2) {
		file := fmt.Sprintf("/run/secrets/custodyd-%d.yaml", i)
		own := strings.NewReplacer(s.NATS, c.hosts(), s.Listen, fmt.Sprintf("127.0.0.1:%d", port)).Replace(text)
		for name, content := range map[string]string{
			file: own, s.KeyFile: readFile(t, filepath.Join(made, "custody.key")),
			s.TLSCert: readFile(t, filepath.Join(made, "tls.crt")), s.TLSKey: readFile(t, filepath.Join(made, "tls.key")),
			s.NATSLoginFile: "daemon:" + passwords["daemon"] + "\n", s.OperatorLoginFile: "operator:" + passwords["operator"] + "\n",
		} {
			if err := os.WriteFile(filepath.Join(e.root, name), []byte(content), 0o644); err != nil { //nolint:gosec // another user reads it, as in a container
				t.Fatal(err)
			}
		}
		argv := []string{"/custodyd", "--config", file}
		if i == 1 {
			// As custodyd.service gives it on a machine of a cluster.
			e.folder(t, "/var/lib/cluster")
			argv = append(argv, "--data", "/var/lib/cluster", "--key-file", s.KeyFile)
		}
		daemons = append(daemons, e.start(t, fmt.Sprint(port), argv, s.TLSCert))
	}
	daemons[0].settle(t)
	daemons[1].token = daemons[0].token
	if code, text := daemons[0].ask(t, http.MethodPost, "/v1/scans", firstScan); code != http.StatusOK || !strings.Contains(text, "recorded") {
		t.Fatalf("a scan: %d %s", code, text)
	}
	leading := regexp.MustCompile(`(?m)^custody_leading 1$`)
	leads := func(d *daemon) bool {
		_, metrics := d.ask(t, http.MethodGet, "/metrics", "")
		return leading.MatchString(metrics)
	}
	eventually(t, "the second daemon knows the tube", func() bool {
		code, _ := daemons[1].ask(t, http.MethodGet, "/v1/tubes/TB260301", "")
		return code == http.StatusOK
	})
	eventually(t, "one leads", func() bool { return leads(daemons[0]) != leads(daemons[1]) })
	leader, other := daemons[0], daemons[1]
	if leads(other) {
		leader, other = other, leader
	}
	if err := leader.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = leader.cmd.Wait()
	// Sent again it gets its first answer, from the daemon that didn't give it too.
	if code, text := other.ask(t, http.MethodPost, "/v1/scans", firstScan); code != http.StatusOK || !strings.Contains(text, `"answer":"recorded","sequence":"2"`) {
		t.Errorf("the scan again, at the other daemon: %d %s", code, text)
	}
	eventually(t, "the other takes over", func() bool { return leads(other) })
	other.stop(t)
}

// eventually waits until something is so.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for deadline := time.Now().Add(logtest.Patience); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("it never came to this: %s", what)
		}
	}
}
