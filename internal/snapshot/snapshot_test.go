package snapshot

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

func save(t *testing.T, f *Folder, n uint64, entries int) {
	t.Helper()
	err := f.Save(Head{Schema: "1", Log: "a", Custody: n}, func(w *Writer) error {
		for i := range entries {
			w.Entry(byte(1+i%3), bytes.Repeat([]byte{byte(i)}, i*37))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func all(t *testing.T, r *Reader) (n int, err error) {
	t.Helper()
	defer r.Close()
	for {
		kind, data, err := r.Next()
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		if kind != byte(1+n%3) || !bytes.Equal(data, bytes.Repeat([]byte{byte(n)}, n*37)) {
			t.Fatalf("entry %d is another one", n)
		}
		n++
	}
}

func anyHead(Head) error { return nil }

func TestASnapshotIsReadBack(t *testing.T) {
	f, err := Open(t.TempDir(), []byte("key of the store"))
	if err != nil {
		t.Fatal(err)
	}
	for n := range uint64(4) {
		save(t, f, n, 300)
	}
	r, err := f.Newest(anyHead)
	if err != nil || r.Head.Custody != 3 {
		t.Fatalf("%+v, %v", r, err)
	}
	if n, err := all(t, r); n != 300 || err != nil {
		t.Fatalf("%d entries, %v", n, err)
	}
	if names := f.names(); len(names) != kept {
		t.Errorf("%d snapshots are kept, want %d", len(names), kept)
	}
	r, err = f.Newest(func(h Head) error {
		if h.Custody == 3 {
			return errors.New("of another log")
		}
		return nil
	})
	if err != nil || r.Head.Custody != 2 {
		t.Fatalf("the one before is not taken: %v", err)
	}
	r.Close()
	if other, err := Open(f.dir, []byte("another key")); err != nil {
		t.Fatal(err)
	} else if _, err := other.Newest(anyHead); !errors.Is(err, ErrNone) {
		t.Errorf("read with another key: %v", err)
	}
	f.Clear()
	if _, err := f.Newest(anyHead); !errors.Is(err, ErrNone) {
		t.Errorf("after clearing: %v", err)
	}
}

// Whatever byte is changed, and wherever the file is cut, nothing of it is taken for whole.
func TestDamageShows(t *testing.T) {
	f, err := Open(t.TempDir(), nil)
	if err != nil {
		t.Fatal(err)
	}
	save(t, f, 1, 60)
	path := filepath.Join(f.dir, f.names()[0])
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	try := func(what string, data []byte) {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := f.Newest(anyHead)
		if err != nil {
			return
		}
		if n, err := all(t, r); err == nil {
			t.Errorf("%s: %d entries were taken for whole", what, n)
		}
	}
	for i := 0; i < len(whole); i += 97 {
		bad := bytes.Clone(whole)
		bad[i] ^= 0x40
		try(fmt.Sprintf("byte %d changed", i), bad)
		try(fmt.Sprintf("cut at %d", i), whole[:i])
	}
	try("the end cut off", whole[:len(whole)-17])
	try("the last byte cut off", whole[:len(whole)-1])
}

// What is kept of a million tubes at rest is one entry.
func TestALargeEntryIsReadBack(t *testing.T) {
	f, err := Open(t.TempDir(), nil)
	if err != nil {
		t.Fatal(err)
	}
	large := bytes.Repeat([]byte("trace of a tube "), 6<<20)
	if err := f.Save(Head{Custody: 1}, func(w *Writer) error { w.Entry(1, large); return nil }); err != nil {
		t.Fatal(err)
	}
	r, err := f.Newest(anyHead)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, data, err := r.Next(); err != nil || !bytes.Equal(data, large) {
		t.Fatalf("%d bytes of %d came back: %v", len(data), len(large), err)
	}
}

func TestASnapshotThatFailsLeavesTheLastOne(t *testing.T) {
	f, err := Open(t.TempDir(), nil)
	if err != nil {
		t.Fatal(err)
	}
	save(t, f, 1, 3)
	why := errors.New("stopped")
	if err := f.Save(Head{Custody: 2}, func(*Writer) error { return why }); !errors.Is(err, why) {
		t.Fatal(err)
	}
	files, err := os.ReadDir(f.dir)
	if err != nil || len(files) != 1 {
		t.Errorf("%d files, %v", len(files), err)
	}
}

func TestCasesAreGivenBack(t *testing.T) {
	f, err := Open(t.TempDir(), []byte("key"))
	if err != nil {
		t.Fatal(err)
	}
	c, err := f.NewCases()
	if err != nil {
		t.Fatal(err)
	}
	var refs []uint64
	for i := range 50 {
		ref, err := c.Add(bytes.Repeat([]byte{byte(i)}, i*11))
		if err != nil {
			t.Fatal(err)
		}
		refs = append(refs, ref)
	}
	name, end, err := c.Sync()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Add([]byte("after the snapshot")); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	if c, err = f.OpenCases(name, end); err != nil {
		t.Fatal(err)
	}
	again, err := c.Add([]byte("again"))
	if err != nil || again != uint64(end) {
		t.Fatalf("what no snapshot named is not written over: %d, %v", again, err)
	}
	for i, ref := range refs {
		data, err := c.Get(ref)
		if err != nil || !bytes.Equal(data, bytes.Repeat([]byte{byte(i)}, i*11)) {
			t.Fatalf("case %d: %v", i, err)
		}
	}
	for _, bad := range []uint64{0, refs[3] + 1, uint64(end) + 999, 1 << 62} {
		if _, err := c.Get(bad); err == nil {
			t.Errorf("%d is taken for a case", bad)
		}
	}
	if _, err := f.OpenCases(name, end+1_000_000); err == nil {
		t.Error("a file that is too short is opened")
	}
	if _, err := f.OpenCases("../"+name, end); err == nil {
		t.Error("a path is taken for a name")
	}
	if _, err := f.NewCases(name); err != nil {
		t.Fatal(err)
	}
	if _, err := f.OpenCases(name, end); err != nil {
		t.Errorf("a file in use was removed: %v", err)
	}
}
