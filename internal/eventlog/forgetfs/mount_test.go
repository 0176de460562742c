package forgetfs_test

import (
	"bytes"
	"errors"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"specimen.example/custody/internal/eventlog/forgetfs"
)

// mount serves d; the test fails where it can't.
func mount(t *testing.T, d *forgetfs.Disk) string {
	t.Helper()
	dir := t.TempDir()
	unmount, err := d.Mount(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unmount(); err != nil {
			t.Error(err)
		}
	})
	return dir
}

func write(t *testing.T, path string, flags int, text string, flush bool) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|flags, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.WriteString(text)
	if flush {
		err = errors.Join(err, f.Sync())
	}
	if err = errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
}

func syncDir(t *testing.T, path string) {
	t.Helper()
	d, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		t.Fatal(err)
	}
}

func drop(d *forgetfs.Disk) map[string]string {
	held := map[string]string{}
	for p, e := range d.Cut(forgetfs.Drop, rand.New(rand.NewPCG(1, 1))) { //nolint:gosec // Drop asks for nothing random
		held[p] = string(e.Data)
		if e.Dir {
			held[p] = "/"
		}
	}
	return held
}

// What the calls of a program leave, by the manual pages that the package names.
func TestCallsThatFlush(t *testing.T) {
	for _, c := range []struct {
		name  string
		rules forgetfs.Rules
		do    func(t *testing.T, dir string)
		want  map[string]string
	}{
		{"written only", forgetfs.Journal, func(t *testing.T, dir string) { write(t, dir+"/a", 0, "text", false) }, map[string]string{}},
		{"fsync, journal", forgetfs.Journal, func(t *testing.T, dir string) { write(t, dir+"/a", 0, "text", true) }, map[string]string{"a": "text"}},
		{"fsync, posix: no name", forgetfs.POSIX, func(t *testing.T, dir string) { write(t, dir+"/a", 0, "text", true) }, map[string]string{}},
		{"directory without data", forgetfs.POSIX, func(t *testing.T, dir string) {
			write(t, dir+"/a", 0, "text", false)
			syncDir(t, dir)
		}, map[string]string{"a": ""}},
		{"fsync of both", forgetfs.POSIX, func(t *testing.T, dir string) {
			write(t, dir+"/a", 0, "text", true)
			syncDir(t, dir)
		}, map[string]string{"a": "text"}},
		{"O_SYNC", forgetfs.Journal, func(t *testing.T, dir string) { write(t, dir+"/a", os.O_SYNC, "text", false) }, map[string]string{"a": "text"}},
		{"O_DSYNC, then without", forgetfs.Journal, func(t *testing.T, dir string) {
			write(t, dir+"/a", syscall.O_DSYNC, "text", false)
			write(t, dir+"/a", os.O_APPEND, " more", false)
		}, map[string]string{"a": "text"}},
		{"cut short", forgetfs.Journal, func(t *testing.T, dir string) {
			write(t, dir+"/a", 0, "text", true)
			write(t, dir+"/a", os.O_TRUNC, "", false)
		}, map[string]string{"a": "text"}},
		{"written beside and renamed", forgetfs.POSIX, func(t *testing.T, dir string) {
			write(t, dir+"/a", 0, "old", true)
			syncDir(t, dir)
			write(t, dir+"/b", os.O_SYNC, "new", false)
			if err := os.Rename(dir+"/b", dir+"/a"); err != nil {
				t.Fatal(err)
			}
			syncDir(t, dir)
		}, map[string]string{"a": "new"}},
		{"rename not flushed", forgetfs.Journal, func(t *testing.T, dir string) {
			write(t, dir+"/a", 0, "old", true)
			write(t, dir+"/b", os.O_SYNC, "new", false)
			if err := os.Rename(dir+"/b", dir+"/a"); err != nil {
				t.Fatal(err)
			}
		}, map[string]string{"a": "old", "b": "new"}},
		{"a later file takes the journal along", forgetfs.Journal, func(t *testing.T, dir string) {
			if err := os.MkdirAll(dir+"/x/y", 0o700); err != nil {
				t.Fatal(err)
			}
			write(t, dir+"/x/y/a", 0, "lost", false)
			write(t, dir+"/b", 0, "kept", true)
			write(t, dir+"/c", 0, "late", false)
		}, map[string]string{"x": "/", "x/y": "/", "x/y/a": "", "b": "kept"}},
		{"removed and not flushed", forgetfs.Journal, func(t *testing.T, dir string) {
			write(t, dir+"/a", 0, "text", true)
			if err := os.Remove(dir + "/a"); err != nil {
				t.Fatal(err)
			}
		}, map[string]string{"a": "text"}},
		{"the file that flushes all", forgetfs.POSIX, func(t *testing.T, dir string) {
			write(t, dir+"/a", 0, "text", false)
			write(t, dir+"/.all", 0, "", true)
		}, map[string]string{"a": "text", ".all": ""}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := forgetfs.NewDisk(forgetfs.Options{Rules: c.rules, SyncAll: ".all"}, nil)
			dir := mount(t, d)
			c.do(t, dir)
			if got := drop(d); !maps.Equal(got, c.want) {
				t.Errorf("the disk holds %q, want %q", got, c.want)
			}
		})
	}
}

// A program sees an ordinary filesystem: an image read back is what was written, and
// the errors are those of the manual pages.
func TestServesAnOrdinaryFilesystem(t *testing.T) {
	big := bytes.Repeat([]byte("0123456789abcdef"), 40_000)
	img := forgetfs.Image{
		"a": {Dir: true, Mode: 0o755}, "a/b": {Dir: true, Mode: 0o700}, "a/b/big": {Mode: 0o600, Data: big}, "empty": {Mode: 0o640, Data: []byte{}},
	}
	dir := mount(t, forgetfs.NewDisk(forgetfs.Options{}, img))
	same := func(got forgetfs.Image) bool {
		return maps.EqualFunc(got, img, func(a, b forgetfs.Entry) bool {
			return a.Dir == b.Dir && a.Mode == b.Mode && bytes.Equal(a.Data, b.Data)
		})
	}
	got, err := forgetfs.ReadImage(dir)
	if err != nil || !same(got) {
		t.Fatalf("read back %v, %v", slices.Sorted(maps.Keys(got)), err)
	}
	plain := t.TempDir()
	if err := got.Write(plain); err != nil {
		t.Fatal(err)
	}
	if got, err = forgetfs.ReadImage(plain); err != nil || !same(got) {
		t.Fatalf("copied %v, %v", slices.Sorted(maps.Keys(got)), err)
	}
	for _, c := range []struct {
		what string
		err  error
		want error
	}{
		{"mkdir over a name", os.Mkdir(dir+"/empty", 0o700), fs.ErrExist},
		{"remove a full directory", syscall.Rmdir(dir + "/a"), syscall.ENOTEMPTY},
		{"remove a directory as a file", syscall.Unlink(dir + "/a/b"), syscall.EISDIR},
		{"rename a directory into itself", os.Rename(dir+"/a", dir+"/a/b/c"), syscall.EINVAL},
		{"rename what isn't there", os.Rename(dir+"/none", dir+"/x"), fs.ErrNotExist},
		{"rename a directory over a file", syscall.Rename(dir+"/a", dir+"/empty"), syscall.ENOTDIR},
		{"hard link", os.Link(dir+"/empty", dir+"/x"), fs.ErrPermission}, // so the kernel passes on "not implemented"
		{"truncate", os.Truncate(dir+"/a/b/big", 5), nil},
		{"chmod", os.Chmod(dir+"/empty", 0o400), nil},
		{"rename over a file", os.Rename(dir+"/empty", dir+"/a/b/big"), nil},
		{"remove all", os.RemoveAll(dir + "/a"), nil},
	} {
		if !errors.Is(c.err, c.want) {
			t.Errorf("%s: %v, want %v", c.what, c.err, c.want)
		}
	}
	if rest, err := os.ReadDir(dir); err != nil || len(rest) != 0 {
		t.Errorf("left over: %v, %v", rest, err)
	}
}

// A file that was removed while open can still be used, and is not on the disk.
func TestRemovedWhileOpen(t *testing.T) {
	d := forgetfs.NewDisk(forgetfs.Options{}, nil)
	f, err := os.Create(filepath.Join(mount(t, d), "a"))
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4)
	_, werr := f.WriteString("text")
	rerr := os.Remove(f.Name())
	if _, err := f.ReadAt(buf, 0); errors.Join(werr, rerr, err, f.Sync(), f.Close()) != nil || string(buf) != "text" {
		t.Errorf("read %q; %v, %v, %v", buf, werr, rerr, err)
	}
	if held := drop(d); len(held) != 0 {
		t.Errorf("the disk holds %q", held)
	}
}

// Without power nobody is answered, and what was being flushed is not flushed.
func TestNoAnswerWithoutPower(t *testing.T) {
	d := forgetfs.NewDisk(forgetfs.Options{FlushTime: time.Hour}, nil)
	id, err := d.Make(root, "a", false, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Write(id, 0, []byte("text"), false); err != nil {
		t.Fatal(err)
	}
	go func() { _ = d.Sync(id, false) }() // ends with the test binary
	for d.Counts().Flushes == 0 {
		time.Sleep(time.Millisecond)
	}
	if held := drop(d); len(held) != 0 {
		t.Errorf("the disk holds %q though the flush had not ended", held)
	}
	answer := make(chan error, 1)
	go func() { answer <- d.Write(id, 0, []byte("late"), true) }()
	select {
	case err := <-answer:
		t.Errorf("answered without power: %v", err)
	case <-time.After(50 * time.Millisecond):
	}
	d.Abandon()
	if err := <-answer; !errors.Is(err, syscall.EIO) {
		t.Errorf("let go with %v, want EIO", err)
	}
}

// With power for a number of changes the next one is not done.
func TestPowerForSoManyChanges(t *testing.T) {
	d := forgetfs.NewDisk(forgetfs.Options{Changes: 2}, nil)
	id, err := d.Make(root, "a", false, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Write(id, 0, []byte("text"), true); err != nil {
		t.Fatal(err)
	}
	answer := make(chan error, 1)
	go func() { answer <- d.Remove(root, "a", false) }()
	<-d.Out()
	if held := drop(d); !maps.Equal(held, map[string]string{"a": "text"}) {
		t.Errorf("the disk holds %q", held)
	}
	d.Abandon()
	if err := <-answer; !errors.Is(err, syscall.EIO) {
		t.Errorf("let go with %v, want EIO", err)
	}
}
