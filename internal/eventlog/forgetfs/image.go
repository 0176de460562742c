package forgetfs

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// Image is what a disk holds, by slash-separated path from its root.
type Image map[string]Entry

// Entry is a file or directory of an image.
type Entry struct {
	Dir  bool
	Mode uint32 // permission bits
	Data []byte
}

// Style says how much of what is not durable a cut leaves. A disk may write anything
// at any time, so each is possible on every machine.
type Style int

// The styles.
const (
	// Drop leaves nothing that wasn't durable.
	Drop Style = iota
	// Prefix leaves a random number of each file's writes in their order, and of the
	// changes of names (under POSIX: of each directory).
	Prefix
	// Torn is Prefix with random sectors of each file's next write.
	Torn
	// Scattered leaves each sector of a file as it was at a moment of its own since the
	// last flush, and the size at another: zeros may stand where nothing was written
	// yet, as is seen on ext4 and XFS (common practice, no source). Names as Prefix.
	Scattered
	// Names leaves all changes of names and no data: a file renamed into place is empty.
	Names
)

// Styles are all styles.
func Styles() []Style { return []Style{Drop, Prefix, Torn, Scattered, Names} }

func (s Style) String() string {
	return [...]string{"drop", "prefix", "torn", "scattered", "names"}[s]
}

// sector is what a disk writes whole, in bytes.
const sector = 512

// Cut takes the power away and gives what the disk then holds. Whoever still asks
// the disk waits until Abandon. A second call gives another outcome of the same cut.
func (d *Disk) Cut(style Style, random *rand.Rand) Image {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.off = true
	names := d.leftNames(style, random)
	img := Image{}
	seen := map[uint64]bool{rootID: true} // as a filesystem check would, a directory is kept where it is met first
	var walk func(dir uint64, at string)
	walk = func(dir uint64, at string) {
		for _, name := range slices.Sorted(maps.Keys(names[dir])) {
			n := d.inodes[names[dir][name]]
			if n.dir && seen[n.id] {
				continue
			}
			e := Entry{Dir: n.dir, Mode: n.mode}
			if p := path.Join(at, name); n.dir {
				img[p] = e
				seen[n.id] = true
				walk(n.id, p)
			} else {
				e.Data = n.left(style, random)
				img[p] = e
			}
		}
	}
	walk(rootID, "")
	return img
}

// leftNames gives the entries of every directory after a cut.
func (d *Disk) leftNames(style Style, random *rand.Rand) map[uint64]map[string]uint64 {
	left := map[uint64]map[string]uint64{}
	for id, n := range d.inodes {
		if n.dir {
			left[id] = maps.Clone(n.kept)
		}
	}
	do := func(e edit) {
		if e.to == 0 {
			delete(left[e.dir], e.name)
		} else {
			left[e.dir][e.name] = e.to
		}
	}
	upTo := func(from, all int) int {
		switch style {
		case Drop:
			return from
		case Names:
			return all
		}
		return from + random.IntN(all-from+1)
	}
	if d.opts.Rules == Journal {
		for _, c := range d.names[:upTo(d.settled, len(d.names))] {
			for _, e := range c.edits {
				do(e)
			}
		}
		return left
	}
	// In each directory a random number of changes stays; both edits of a rename within
	// it are one.
	loose := map[uint64]int{}
	for _, c := range d.names {
		for dir := range c.looseIn() {
			loose[dir]++
		}
	}
	for _, dir := range slices.Sorted(maps.Keys(loose)) {
		loose[dir] = upTo(0, loose[dir])
	}
	for _, c := range d.names {
		here := c.looseIn()
		for _, e := range c.edits {
			if !here[e.dir] || loose[e.dir] > 0 {
				do(e)
			}
		}
		for dir := range here {
			loose[dir]--
		}
	}
	return left
}

// looseIn gives the directories in which a change is not durable under POSIX.
func (c change) looseIn() map[uint64]bool {
	dirs := map[uint64]bool{}
	for _, e := range c.edits {
		if !e.durable {
			dirs[e.dir] = true
		}
	}
	return dirs
}

// left gives the bytes of a file after a cut.
func (n *inode) left(style Style, random *rand.Rand) []byte {
	b := slices.Clone(n.durable)
	switch style {
	case Drop, Names:
	case Prefix, Torn:
		count := random.IntN(len(n.pending) + 1)
		for _, w := range n.pending[:count] {
			b = w.apply(b)
		}
		if style == Torn && count < len(n.pending) {
			b = n.pending[count].torn(b, random)
		}
	case Scattered:
		return n.scattered(random)
	}
	return b
}

// torn does random sectors of a write, and a change of size wholly or not at all.
func (w write) torn(b []byte, random *rand.Rand) []byte {
	if w.data == nil {
		if random.IntN(2) == 0 {
			return b
		}
		return w.apply(b)
	}
	end := w.off + int64(len(w.data))
	for at := w.off; at < end; {
		next := min(at/sector*sector+sector, end)
		if random.IntN(2) == 0 {
			b = write{at, w.data[at-w.off : next-w.off]}.apply(b)
		}
		at = next
	}
	return b
}

// scattered picks for each sector, and for the size, up to which write it has got.
func (n *inode) scattered(random *rand.Rand) []byte {
	now := slices.Clone(n.durable)
	longest := len(now)
	for _, w := range n.pending {
		longest = max(longest, int(w.off)+len(w.data))
	}
	out := resize(slices.Clone(now), int64(longest))
	picks := make([]int, (longest+sector-1)/sector)
	for i := range picks {
		picks[i] = random.IntN(len(n.pending) + 1)
	}
	sizeAt, size := random.IntN(len(n.pending)+1), len(now)
	for j, w := range n.pending {
		before := len(now)
		now = w.apply(now)
		// Growing past the end fills with zeros, so what changes begins at the old end.
		low, high := min(int(w.off), before), max(len(now), before)
		if w.data != nil {
			high = int(w.off) + len(w.data)
		}
		for s := low / sector; s*sector < high; s++ {
			if picks[s] > j {
				part := out[s*sector : min((s+1)*sector, longest)]
				clear(part)
				copy(part, now[min(s*sector, len(now)):])
			}
		}
		if sizeAt > j {
			size = len(now)
		}
	}
	return out[:size]
}

// parent gives the directory that holds path, and the last name of path.
func (d *Disk) parent(p string) (*inode, string) {
	at := d.inodes[rootID]
	parts := strings.Split(p, "/")
	for _, name := range parts[:len(parts)-1] {
		at = d.inodes[at.entries[name]]
	}
	return at, parts[len(parts)-1]
}

// Now gives what programs see, durable or not.
func (d *Disk) Now() Image {
	d.mu.Lock()
	defer d.mu.Unlock()
	img := Image{}
	var walk func(dir uint64, at string)
	walk = func(dir uint64, at string) {
		for name, id := range d.inodes[dir].entries {
			n, p := d.inodes[id], path.Join(at, name)
			img[p] = Entry{Dir: n.dir, Mode: n.mode, Data: slices.Clone(n.data)}
			if n.dir {
				walk(id, p)
			}
		}
	}
	walk(rootID, "")
	return img
}

// Write puts the image into an existing directory of the machine's own filesystem.
func (img Image) Write(dir string) error {
	for _, p := range slices.Sorted(maps.Keys(img)) {
		e, to := img[p], filepath.Join(dir, filepath.FromSlash(p))
		var err error
		if e.Dir {
			err = os.Mkdir(to, fs.FileMode(e.Mode)|0o700)
		} else {
			err = os.WriteFile(to, e.Data, fs.FileMode(e.Mode))
		}
		if err != nil {
			return fmt.Errorf("forgetfs: %w", err)
		}
	}
	return nil
}

// ReadImage reads a directory of the machine's own filesystem.
func ReadImage(dir string) (Image, error) {
	img := Image{}
	err := filepath.WalkDir(dir, func(p string, e fs.DirEntry, err error) error {
		if err != nil || p == dir {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		if !e.IsDir() && !info.Mode().IsRegular() {
			return errors.New(p + " is neither a file nor a directory")
		}
		entry := Entry{Dir: e.IsDir(), Mode: uint32(info.Mode().Perm())}
		if !e.IsDir() {
			if entry.Data, err = os.ReadFile(p); err != nil {
				return err
			}
		}
		rel, err := filepath.Rel(dir, p)
		img[filepath.ToSlash(rel)] = entry
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("forgetfs: %w", err)
	}
	return img, nil
}
