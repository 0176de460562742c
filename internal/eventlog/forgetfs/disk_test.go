package forgetfs_test

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"path"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/eventlog/forgetfs"
)

const (
	root   = 1
	sector = 512
)

// model is the reference: it keeps every state that ever was, and which of them is
// durable, where Disk keeps changes. An inode's number doubles as its mode, so that
// an image says which inode stands where.
type model struct {
	rules   forgetfs.Rules
	files   map[uint64]*states
	trees   []tree            // after each change of names
	settled int               // index of the tree that is durable under Journal
	kept    map[uint64]int    // under POSIX, by directory
	touched map[uint64]int    // index of the last tree that an fsync makes durable
	sized   map[uint64]int    // the same for fdatasync
	known   map[uint64]uint64 // the disk's numbers by the model's
}

// tree gives the names of every directory.
type tree map[uint64]map[string]uint64

// states are the contents that a file had, and the durable one's index.
type states struct {
	all     [][]byte
	durable int
}

func newModel(rules forgetfs.Rules) *model {
	return &model{
		rules: rules, files: map[uint64]*states{}, trees: []tree{{root: {}}}, kept: map[uint64]int{},
		touched: map[uint64]int{}, sized: map[uint64]int{}, known: map[uint64]uint64{root: root},
	}
}

func (m *model) now() tree { return m.trees[len(m.trees)-1] }

// rename and its like: a new tree, in which all who take part are touched.
func (m *model) change(edit func(t tree), who ...uint64) {
	t := tree{}
	for dir, names := range m.now() {
		t[dir] = maps.Clone(names)
	}
	edit(t)
	m.trees = append(m.trees, t)
	for _, id := range who {
		m.touched[id] = len(m.trees) - 1
	}
}

func (m *model) sync(id uint64, dataOnly bool) {
	if f := m.files[id]; f != nil {
		f.durable = len(f.all) - 1
	} else {
		m.kept[id] = len(m.trees) - 1
		dataOnly = false
	}
	upTo := m.touched[id]
	if dataOnly {
		upTo = m.sized[id]
	}
	m.settled = max(m.settled, upTo)
}

// inDirs are the directories that have a path, files the files.
func (m *model) reachable() (dirs, files []uint64) {
	var walk func(dir uint64)
	walk = func(dir uint64) {
		dirs = append(dirs, dir)
		for _, name := range slices.Sorted(maps.Keys(m.now()[dir])) {
			id := m.now()[dir][name]
			if m.files[id] != nil {
				files = append(files, id)
			} else {
				walk(id)
			}
		}
	}
	walk(root)
	return dirs, files
}

func (m *model) within(id, under uint64) bool {
	if id == under {
		return true
	}
	for _, child := range m.now()[under] {
		if m.files[child] == nil && m.within(id, child) {
			return true
		}
	}
	return false
}

// step does one random operation on both.
func (m *model) step(t *rapid.T, d *forgetfs.Disk) {
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	dirs, files := m.reachable()
	name := func() string { return rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "name") }
	dir := rapid.SampledFrom(dirs).Draw(t, "directory")
	at := m.now()[dir]
	switch op := rapid.IntRange(0, 9).Draw(t, "operation"); {
	case op <= 1:
		isDir, n := op == 1, name()
		if at[n] != 0 {
			return
		}
		id := uint64(len(m.files) + len(m.now()) + 1) //nolint:gosec // small
		got, err := d.Make(m.known[dir], n, isDir, uint32(id))
		must(err)
		m.known[id] = got
		if !isDir {
			m.files[id] = &states{all: [][]byte{{}}}
		}
		m.change(func(t tree) {
			t[dir][n] = id
			if isDir {
				t[id] = map[string]uint64{}
			}
		}, dir, id)
		m.sized[id] = len(m.trees) - 1
	case op == 2:
		n := name()
		if id := at[n]; id != 0 && len(m.now()[id]) == 0 {
			must(d.Remove(m.known[dir], n, m.files[id] == nil))
			m.change(func(t tree) { delete(t[dir], n) }, dir, id)
		}
	case op <= 4:
		n, to, toName := name(), rapid.SampledFrom(dirs).Draw(t, "to"), name()
		id, old := at[n], m.now()[to][toName]
		if id == 0 || id == old || (m.files[id] == nil && m.within(to, id)) {
			return
		}
		if old != 0 && ((m.files[old] == nil) != (m.files[id] == nil) || len(m.now()[old]) > 0) {
			return
		}
		must(d.Rename(m.known[dir], n, m.known[to], toName))
		m.change(func(t tree) { delete(t[dir], n); t[to][toName] = id }, dir, to, id, old)
	case op <= 7 && len(files) > 0:
		id := rapid.SampledFrom(files).Draw(t, "file")
		f := m.files[id]
		was := f.all[len(f.all)-1]
		off := rapid.IntRange(0, 3*sector).Draw(t, "offset")
		next := slices.Clone(was)
		if op == 7 {
			must(d.Truncate(m.known[id], int64(off)))
			next = append(next, make([]byte, max(0, off-len(was)))...)[:off]
		} else {
			data := bytes.Repeat([]byte{byte(len(f.all))}, rapid.IntRange(1, 2*sector).Draw(t, "length"))
			sync := op == 6
			must(d.Write(m.known[id], int64(off), data, sync))
			next = append(next, make([]byte, max(0, off+len(data)-len(was)))...)
			copy(next[off:], data)
			defer func() {
				if sync {
					m.sync(id, true)
				}
			}()
		}
		f.all = append(f.all, next)
		if len(next) != len(was) {
			m.touched[id], m.sized[id] = len(m.trees)-1, len(m.trees)-1
		}
	case op == 8 && len(files) > 0:
		id, dataOnly := rapid.SampledFrom(files).Draw(t, "file"), rapid.Bool().Draw(t, "fdatasync")
		must(d.Sync(m.known[id], dataOnly))
		m.sync(id, dataOnly)
	case op == 9:
		must(d.Sync(m.known[dir], false))
		m.sync(dir, false)
	}
}

// names turns an image back into names by directory.
func names(img forgetfs.Image) tree {
	t := tree{root: {}}
	id := func(p string) uint64 {
		if p == "." {
			return root
		}
		return uint64(img[p].Mode)
	}
	for p, e := range img {
		if e.Dir {
			t[id(p)] = map[string]uint64{}
		}
	}
	for p := range img {
		t[id(path.Dir(p))][path.Base(p)] = id(p)
	}
	return t
}

// check says what of an image could not be, or "".
func (m *model) check(style forgetfs.Style, img forgetfs.Image) string {
	got := names(img)
	span := func(from, last int) (int, int) {
		switch style {
		case forgetfs.Drop:
			return from, from
		case forgetfs.Names:
			return last, last
		}
		return from, last
	}
	last := len(m.trees) - 1
	if m.rules == forgetfs.Journal {
		if from, to := span(m.settled, last); !slices.ContainsFunc(m.trees[from:to+1], func(t tree) bool { return sameNames(got, t, nil) }) {
			return fmt.Sprintf("the names %v were never so since %v", got, m.trees[m.settled])
		}
	} else {
		for dir := range got {
			one := func(t tree) tree { return tree{dir: t[dir]} }
			if from, to := span(m.kept[dir], last); !slices.ContainsFunc(m.trees[from:to+1], func(t tree) bool { return sameNames(one(got), one(t), got) }) {
				return fmt.Sprintf("directory %d holds %v, never so since %v", dir, got[dir], m.trees[m.kept[dir]][dir])
			}
		}
	}
	for p, e := range img {
		if f := m.files[uint64(e.Mode)]; f != nil && !f.possible(style, e.Data) {
			return fmt.Sprintf("%s holds %d bytes that it could not hold", p, len(e.Data))
		}
	}
	return ""
}

// sameNames compares the directories of got that have a path. A directory that two
// names led to is kept under one of them: met tells which were met at all.
func sameNames(got, want, met tree) bool {
	for dir, names := range got {
		for name, id := range want[dir] {
			if _, elsewhere := met[id]; names[name] != id && !elsewhere {
				return false
			}
		}
		for name, id := range names {
			if want[dir][name] != id {
				return false
			}
		}
	}
	return true
}

func (f *states) possible(style forgetfs.Style, b []byte) bool {
	since := f.all[f.durable:]
	switch style {
	case forgetfs.Drop, forgetfs.Names:
		return bytes.Equal(b, since[0])
	case forgetfs.Prefix:
		return slices.ContainsFunc(since, func(s []byte) bool { return bytes.Equal(b, s) })
	case forgetfs.Torn:
		for i := range since {
			if patched(b, since[i:min(i+2, len(since))]) {
				return true
			}
		}
		return false
	}
	return slices.ContainsFunc(since, func(s []byte) bool { return len(s) == len(b) }) && patched(b, since)
}

// patched reports whether each sector of b is that of some state, zeros behind its end.
func patched(b []byte, of [][]byte) bool {
	for at := 0; at < len(b); at += sector {
		end := min(at+sector, len(b))
		if !slices.ContainsFunc(of, func(s []byte) bool {
			padded := append(slices.Clone(s), make([]byte, max(0, end-len(s)))...)
			return bytes.Equal(b[at:end], padded[at:end])
		}) {
			return false
		}
	}
	return slices.ContainsFunc(of, func(s []byte) bool { return len(s) >= len(b) })
}

// After any operations and a cut the disk holds what the rules allow, and before it
// programs see all they did.
func TestDiskLeavesWhatTheRulesAllow(t *testing.T) {
	for _, rules := range []forgetfs.Rules{forgetfs.Journal, forgetfs.POSIX} {
		t.Run(rules.String(), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				d, m := forgetfs.NewDisk(forgetfs.Options{Rules: rules}, nil), newModel(rules)
				for range rapid.IntRange(1, 60).Draw(t, "operations") {
					m.step(t, d)
				}
				live := d.Now()
				if got := names(live); !sameNames(got, m.now(), nil) {
					t.Fatalf("programs see %v, want %v", got, m.now())
				}
				for p, e := range live {
					if f := m.files[uint64(e.Mode)]; f != nil && !bytes.Equal(e.Data, f.all[len(f.all)-1]) {
						t.Fatalf("programs see other bytes in %s", p)
					}
				}
				random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)) //nolint:gosec // moments, not secrets
				for _, style := range forgetfs.Styles() {
					for range 3 {
						if wrong := m.check(style, d.Cut(style, random)); wrong != "" {
							t.Fatalf("%s: %s", style, wrong)
						}
					}
				}
			})
		})
	}
}

// The check above would be worth nothing if it let a forgotten flush pass.
func TestModelBites(t *testing.T) {
	build := func() (*forgetfs.Disk, *model) {
		d, m := forgetfs.NewDisk(forgetfs.Options{}, nil), newModel(forgetfs.Journal)
		id, err := d.Make(root, "a", false, 2)
		if err == nil {
			err = d.Write(id, 0, []byte("written"), false)
		}
		if err != nil {
			t.Fatal(err)
		}
		m.files[2] = &states{all: [][]byte{{}, []byte("written")}}
		m.change(func(t tree) { t[root]["a"] = 2 }, root, 2)
		return d, m
	}
	random := rand.New(rand.NewPCG(1, 1)) //nolint:gosec // moments, not secrets
	d, m := build()
	m.sync(2, false) // the disk was not told
	if wrong := m.check(forgetfs.Drop, d.Cut(forgetfs.Drop, random)); wrong == "" {
		t.Error("a file that should be durable and is gone was not noticed")
	}
	d, m = build()
	if err := d.Sync(2, false); err != nil { // the model was not told
		t.Fatal(err)
	}
	if wrong := m.check(forgetfs.Drop, d.Cut(forgetfs.Drop, random)); wrong == "" {
		t.Error("a file that should be gone and is durable was not noticed")
	}
}
