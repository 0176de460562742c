package main

import (
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/eventlog"
)

// copied is a copy of a folder.
func copied(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// truncated takes the last byte of a file away.
func truncated(t *testing.T, path string) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, info.Size()-1); err != nil {
		t.Fatal(err)
	}
}

// The door opens to its owner only, replaces the socket of a killed process, is gone
// after the stop, and works where the path is longer than a socket's may be.
func TestTheOperatorsDoor(t *testing.T) {
	for name, dir := range map[string]string{
		"a short path": t.TempDir(),
		"a long path":  filepath.Join(t.TempDir(), strings.Repeat("long/", 30)),
	} {
		t.Run(name, func(t *testing.T) {
			if err := os.MkdirAll(dir, 0o700); err != nil {
				t.Fatal(err)
			}
			door := filepath.Join(dir, doorFile)
			if err := os.WriteFile(door, nil, 0o600); err != nil { // as if left behind
				t.Fatal(err)
			}
			d := launch(t, "--data", dir, "--listen", "127.0.0.1:0")
			address := d.address()
			info, err := os.Stat(door)
			if err != nil || info.Mode().Perm() != 0o600 || info.Mode().Type() != os.ModeSocket {
				t.Errorf("%v, %v", info, err)
			}
			left, err := filepath.Glob(filepath.Join(dir, ".door-*"))
			if err != nil || len(left) != 0 {
				t.Errorf("left behind: %v, %v", left, err)
			}
			st, err := newRemote(dir).state(t.Context())
			if err != nil || st.Inspection.Writes != "2026" || !st.Running.Ready || st.Running.MemoryLimit == 0 {
				t.Errorf("%+v, %v", st, err)
			}
			// It isn't on the daemon's own address.
			if code, _ := get(t, address+"/operator/state"); code != http.StatusNotFound {
				t.Errorf("strangers reach it: %d", code)
			}
			d.end()
			if _, err := os.Lstat(door); !os.IsNotExist(err) {
				t.Errorf("it is there after the stop: %v", err)
			}
		})
	}
}

// The door answers what it can't do in words, and tells a part from the whole.
func TestTheDoorSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	d := launch(t, "--data", dir, "--listen", "127.0.0.1:0")
	d.address()
	r := newRemote(dir)
	for path, say := range map[string]string{
		"/operator/streams/CUSTODY_2026?from=x&to=1":  "must be sequences",
		"/operator/streams/CUSTODY_2026?from=0&to=1":  "must be sequences",
		"/operator/streams/CUSTODY_2026?from=1":       "must be sequences",
		"/operator/nothing":                           "not found",
		"/operator/volumes/2026/close?again=whatever": "Method Not Allowed",
	} {
		if _, err := r.call(t.Context(), http.MethodGet, path, nil); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%s: %v", path, err)
		}
	}
	if _, err := r.call(t.Context(), http.MethodPost, "/operator/volumes/2025/remove", []byte("{")); err == nil || !strings.Contains(err.Error(), "manifest") {
		t.Error(err)
	}
	if err := r.Read(t.Context(), "CUSTODY_1999", 1, 5, nil); err == nil || !strings.Contains(err.Error(), "CUSTODY_1999 wholly") {
		t.Errorf("a stream that isn't there: %v", err)
	}
	d.end()
	if _, err := r.state(t.Context()); err == nil || !strings.Contains(err.Error(), "doesn't answer") {
		t.Errorf("after the stop: %v", err)
	}
}

// Records that come without the word that they are all of them are a part, whether the
// daemon died between two records or inside one.
func TestAPartOfAStreamIsNoWhole(t *testing.T) {
	whole := (&eventlog.Message{Seq: 1, Subject: "custody.2026.tube.L-TB1", Data: []byte("x")}).Append(nil)
	for name, sent := range map[string][]byte{"nothing": nil, "one record": whole, "a record and a half": append(whole[:len(whole):len(whole)], whole[:9]...)} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			l, err := net.Listen("unix", filepath.Join(dir, doorFile))
			if err != nil {
				t.Fatal(err)
			}
			server := &http.Server{ReadHeaderTimeout: time.Minute, Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				_, _ = w.Write(sent)
			})}
			served := make(chan struct{})
			go func() { defer close(served); _ = server.Serve(l) }()
			defer func() { _ = server.Close(); <-served }()
			got := 0
			err = newRemote(dir).Read(t.Context(), "CUSTODY_2026", 1, 2, func(*eventlog.Message) error { got++; return nil })
			if err == nil || !strings.Contains(err.Error(), "CUSTODY_2026") {
				t.Errorf("after %d records: %v", got, err)
			}
		})
	}
}

// doctor with a daemon, with a stopped store, and with a store that lost something.
func TestDoctorLooksAtRunningAndStopped(t *testing.T) {
	dir := t.TempDir()
	s := newSite(t, "--data", dir)
	s.set(time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC))
	if _, err := s.scans(t.Context(), []map[string]any{collected("c-1", "TB000001", "P-7001", time.Date(2026, 11, 24, 11, 0, 0, 0, time.UTC))}); err != nil {
		t.Fatal(err)
	}
	has := func(code int, lines []string, args ...string) {
		t.Helper()
		got, out, err := ran(t, append([]string{"doctor", "--data", dir}, args...)...)
		if code >= 0 && got != code {
			t.Errorf("exit %d, want %d: %s%s", got, code, out, err)
		}
		if bad := strings.Contains(out, "to do "); bad != (got == exitFailed) {
			t.Errorf("exit %d with: %s", got, out)
		}
		for _, line := range lines {
			if !strings.Contains(out, line) {
				t.Errorf("%q is not in: %s", line, out)
			}
		}
	}
	has(exitFailed, []string{"ok       daemon       runs since", "ok       settings", "ok       read         up to the end", "to do    backup       none is known of; wanted:", "do: custodyd backup"})
	must(t, "backup", "--data", dir, "--to", filepath.Join(t.TempDir(), "b"))
	has(-1, []string{"ok       backup       the last was made"}) // the disk of this machine decides the rest
	if err := os.Chmod(filepath.Join(dir, "index.key"), 0o644); err != nil {
		t.Fatal(err)
	}
	has(exitFailed, []string{"to do    secret", "0644", "do: chmod 600"})
	s.end()
	has(exitFailed, []string{"to do    daemon       none runs", "unknown  read", "ok       streams      CUSTODY_2026"}, "--backup-age", "0")
	if code, out, err := ran(t, "doctor", "--data", dir, "--json"); code != exitFailed || !strings.Contains(out, `"ok": false`) || !strings.Contains(out, `"state": "to do"`) {
		t.Errorf("exit %d: %s%s", code, out, err)
	}
}
