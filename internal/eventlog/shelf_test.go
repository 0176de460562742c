package eventlog_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"specimen.example/custody/internal/eventlog"
)

// What is erased or replaced must be gone from the files themselves, not only from
// what the server shows. The store is neither compressed nor encrypted here.
func TestErasedIsGoneFromTheDisk(t *testing.T) {
	dir := t.TempDir()
	l := open(t, eventlog.Options{Dir: dir})
	secret, newer, kept := []byte("invented-secret-one"), []byte("invented-secret-two"), []byte("invented-neighbour")
	for _, name := range []eventlog.ShelfName{eventlog.ShelfKeys, eventlog.ShelfIdentity, eventlog.ShelfSignIn} {
		s := l.Shelf(name)
		rev, err := s.Put(t.Context(), "ONE", secret, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Put(t.Context(), "TWO", kept, 0); err != nil {
			t.Fatal(err)
		}
		if !onDisk(t, dir, name, secret) {
			t.Fatalf("%s: what was put is not found on the disk; the search is broken", name)
		}
		if _, err := s.Put(t.Context(), "ONE", newer, rev); err != nil {
			t.Fatal(err)
		}
		if onDisk(t, dir, name, secret) {
			t.Errorf("%s: what was replaced is still on the disk", name)
		}
		if err := s.Erase(t.Context(), "ONE"); err != nil {
			t.Fatal(err)
		}
		if onDisk(t, dir, name, newer) {
			t.Errorf("%s: what was erased is still on the disk", name)
		}
		if !onDisk(t, dir, name, kept) {
			t.Errorf("%s: its neighbour is gone too", name)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for _, name := range []eventlog.ShelfName{eventlog.ShelfKeys, eventlog.ShelfIdentity, eventlog.ShelfSignIn} {
		if onDisk(t, dir, name, newer) || onDisk(t, dir, name, secret) {
			t.Errorf("%s: closing the store brought it back", name)
		}
	}
	again := open(t, eventlog.Options{Dir: dir})
	if data, _, err := again.Shelf(eventlog.ShelfKeys).Get(t.Context(), "TWO"); err != nil || !bytes.Equal(data, kept) {
		t.Errorf("after a restart: %q, %v", data, err)
	}
}

// What receivers outside were told of is in a backup, also when it is replaced again and
// again while the backup is made and no patient's key is wanted in it.
func TestWhatWasToldIsInABackup(t *testing.T) {
	l := open(t, eventlog.Options{Dir: t.TempDir()})
	told := l.Shelf(eventlog.ShelfNotify)
	n, revision := 0, uint64(0)
	put := func() {
		n++
		var err error
		if revision, err = told.Put(t.Context(), "desk", fmt.Appendf(nil, "record %d", n), revision); err != nil {
			t.Fatal(err)
		}
	}
	for range 20 {
		put()
	}
	dir := filepath.Join(t.TempDir(), "backup")
	src := busy{operatorOf(t, l), func() {
		for range 3 {
			put()
		}
	}}
	if _, err := eventlog.Backup(t.Context(), src, eventlog.BackupOptions{To: dir, Now: made}); err != nil {
		t.Fatal(err)
	}
	data := t.TempDir()
	if _, err := eventlog.Restore(t.Context(), eventlog.RestoreOptions{From: dir, Dir: data}); err != nil {
		t.Fatal(err)
	}
	again := open(t, eventlog.Options{Dir: data}).Shelf(eventlog.ShelfNotify)
	got, at, err := again.Get(t.Context(), "desk")
	if err != nil || string(got) != "record 20" {
		t.Errorf("restored %q, %v; want what stood when it began", got, err)
	}
	if _, err := again.Put(t.Context(), "desk", []byte("on"), at); err != nil {
		t.Errorf("it doesn't go on: %v", err)
	}
}

// onDisk reports whether any file of the shelf's stream holds the bytes.
func onDisk(t *testing.T, dir string, name eventlog.ShelfName, want []byte) bool {
	t.Helper()
	found := false
	err := filepath.WalkDir(filepath.Join(dir, "store"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !bytes.Contains([]byte(path), []byte(string(filepath.Separator)+string(name)+string(filepath.Separator))) {
			return err
		}
		data, err := os.ReadFile(path)
		found = found || bytes.Contains(data, want)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}
