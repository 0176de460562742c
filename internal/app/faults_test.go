package app_test

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
)

// posted sends one scan over REST and wants this answer.
func posted(t *testing.T, d *apptest.Daemon, tube, id string, code int, say string) {
	t.Helper()
	got, header, body, err := d.Post(t.Context(), "/v1/scans",
		fmt.Sprintf(`{"scans":[{"id":%q,"label":{"text":%q},"step":"see","mode":"reported","by":"mira","place":"LAB","occurredAt":%q}]}`, id, tube, event.At(time.Now()).String()))
	if err != nil || got != code || !strings.Contains(body, say) {
		t.Fatalf("the scan %s: %d %s %v; want %d and %q", id, got, body, err, code, say)
	}
	if code == http.StatusServiceUnavailable && header.Get("Retry-After") == "" {
		t.Errorf("the scan %s was not saved, and nothing says when to send it again", id)
	}
}

// EVT-S5, the disk: health is red while there is still room; then scans hear "not
// saved" at once; with room again the daemon goes on by itself, and after a kill
// everything acknowledged is there once. At the end the disk is filled to the last
// byte under load, faster than anybody looks.
func TestADiskThatRunsFull(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Fatal("this test mounts a small disk of its own and must run as root")
	}
	disk := t.TempDir()
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=64m"); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = syscall.Unmount(disk, syscall.MNT_DETACH) }()
	d := apptest.NewDaemon(t, "--data", filepath.Join(disk, "data"), "--log", "warn").Serving()
	l := newKillLoad()
	posted(t, d, "DISK1", "room", http.StatusOK, `"recorded"`)
	l.acknowledge("DISK1", "room")
	d.Until("/healthz", http.StatusOK)

	filler := filepath.Join(disk, "filler")
	fillDisk(t, filler, 4<<20) // of 64 MB; a fiftieth is kept
	d.Until("/healthz", http.StatusServiceUnavailable, `"disk"`, "make room on the disk")
	d.Until("/readyz", http.StatusOK)
	posted(t, d, "DISK1", "tight", http.StatusOK, `"recorded"`)
	l.acknowledge("DISK1", "tight")

	fillDisk(t, filler, 1<<20)
	d.Until("/readyz", http.StatusServiceUnavailable, "goes on by itself")
	posted(t, d, "DISK1", "full", http.StatusServiceUnavailable, "not saved")
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	d.Until("/healthz", http.StatusOK)
	posted(t, d, "DISK1", "full", http.StatusOK, `"recorded"`) // the same scan again
	l.acknowledge("DISK1", "full")

	l.serve(d.Conn)
	var callers sync.WaitGroup
	for i := range killCallers {
		callers.Go(func() { l.call(t.Context(), i) })
	}
	progress(t, l, 50)
	fillDisk(t, filler, 0)
	d.Until("/readyz", http.StatusServiceUnavailable)
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	d.Until("/readyz", http.StatusOK)
	progress(t, l, 50)
	l.stopping.Store(true)
	callers.Wait()
	if err := l.err(); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d scans acknowledged around a disk that was full twice; the server was started again: %v", l.acks.Load(), strings.Contains(d.Said(), "started again"))
	d.Kill()
	once(t, l, timesInLog(t, filepath.Join(disk, "data")))
}

// once wants every acknowledged scan in the log once, and nothing twice.
func once(t *testing.T, l *killLoad, times map[string]int) {
	t.Helper()
	for id, n := range times {
		if n > 1 {
			t.Errorf("%s stands %d times in the log", id, n)
		}
	}
	for _, ids := range l.acked {
		for _, id := range ids {
			if times[id] != 1 {
				t.Errorf("the acknowledged scan %s stands %d times in the log", id, times[id])
			}
		}
	}
}

// fillDisk takes the disk of path but for the last bytes.
func fillDisk(t *testing.T, path string, leave int64) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	for {
		var fs syscall.Statfs_t
		if err := syscall.Statfs(path, &fs); err != nil {
			t.Fatal(err)
		}
		free := int64(fs.Bavail) * fs.Bsize //nolint:gosec // a small disk
		if free <= leave {
			return
		}
		if _, err := f.Write(make([]byte, min(free-leave, 1<<20))); errors.Is(err, syscall.ENOSPC) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// EVT-S5, the store's limit: at the limit scans hear "not saved"; a higher limit in the
// settings and SIGHUP let them in, without a restart; health stays red while more than
// nine tenths are used.
func TestAStoreAtItsLimit(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	settings := filepath.Join(dir, "settings.yaml")
	limit := func(bytes int) {
		if err := os.WriteFile(settings, fmt.Appendf(nil, "max-bytes: %d\nmax-store: %d\n", bytes, bytes*5/2+1), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	limit(300_000)
	data := filepath.Join(dir, "data")
	d := apptest.NewDaemon(t, "--config", settings, "--data", data, "--log", "info").Serving()
	l := newKillLoad()
	n := 0
	for full := false; !full; n++ {
		tube := fmt.Sprint("LIMIT", n)
		code, _, body, err := d.Post(t.Context(), "/v1/scans",
			fmt.Sprintf(`{"scans":[{"id":%q,"label":{"text":%q},"step":"see","mode":"reported","by":"mira","place":"LAB","occurredAt":%q}]}`, tube, tube, event.At(time.Now()).String()))
		switch full = code == http.StatusServiceUnavailable && strings.Contains(body, "not saved"); {
		case full:
		case err == nil && code == http.StatusOK && strings.Contains(body, `"recorded"`):
			l.acknowledge(tube, tube)
		default:
			t.Fatalf("%d %s %v", code, body, err)
		}
	}
	posted(t, d, "LIMIT0", "full", http.StatusServiceUnavailable, "not saved")
	limit(315_000) // what is there is 95 % of it
	d.Signal(syscall.SIGHUP)
	d.Until("/healthz", http.StatusServiceUnavailable, "room in "+custodyStream, "95 %", "SIGHUP")
	d.Until("/readyz", http.StatusOK)
	posted(t, d, "LIMIT0", "red", http.StatusOK, `"recorded"`)
	l.acknowledge("LIMIT0", "red")
	limit(600_000)
	d.Signal(syscall.SIGHUP)
	d.Until("/healthz", http.StatusOK)
	posted(t, d, "LIMIT0", "full", http.StatusOK, `"recorded"`)
	l.acknowledge("LIMIT0", "full")
	d.Kill()
	log, err := eventlog.Open(t.Context(), eventlog.Options{Dir: data, Volume: "2026", MaxBytes: 600_000, MaxStore: 1_500_001, BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	times := map[string]int{}
	for _, rec := range readAll(t, log) {
		times[rec.ID]++
	}
	once(t, l, times)
	t.Logf("%d scans acknowledged up to a limit of 300,000 bytes", n)
}
