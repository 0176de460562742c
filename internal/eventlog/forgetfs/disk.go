// Package forgetfs is a filesystem that loses power, for tests: what a program wrote
// and didn't flush is gone at the cut, and the next mount serves what a disk would
// then hold. It decides which writes and names have reached the disk.
//
// Disk is the model, in memory; Mount serves it through FUSE to programs that call
// the operating system; Cut gives what is left.
//
// # What is durable when
//
// Data and size of a file: at its fsync or fdatasync, or when the write is done on a
// descriptor opened with O_SYNC or O_DSYNC. Source: fsync(2), fdatasync(2) and
// open(2) of the Linux manual pages. Until then nothing is promised, not even an order.
//
// Names (create, mkdir, rename, unlink, rmdir) follow one of two rules:
//
//   - POSIX: at the fsync of the directory that holds the name. fsync(2): "Calling
//     fsync() does not necessarily ensure that the entry in the directory containing
//     the file has also reached disk. For that an explicit fsync() on a file
//     descriptor for the directory is also needed." A rename between two directories
//     is two changes then.
//   - Journal: names form one ordered journal, and an fsync of a file or directory
//     makes durable everything in it up to the last change of that inode. This is how
//     ext4 (data=ordered) and XFS behave, called strictly ordered metadata consistency
//     on the mailing lists of fstests; Pillai and others, "All File Systems Are Not
//     Created Equal" (OSDI 2014), measured how widely filesystems differ in it. No
//     standard promises it: common practice.
//
// The disk writes 512-byte sectors whole: common practice, no standard promises it
// either. A rename is one change, never half of one (within one directory under
// POSIX): rename(2).
//
// # What is not modelled
//
// Hard links, symbolic links, device nodes, extended attributes, locks and holes
// punched into files are refused. Modes and times are kept as last set. A disk that
// lies about a flush, and bytes that rot, are other faults than a power cut.
package forgetfs

import (
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"syscall"
	"time"
)

// Rules say when a name is durable; the package comment has the sources.
type Rules int

// The two rules of names.
const (
	Journal Rules = iota // ext4, XFS
	POSIX                // the least that is promised
)

func (r Rules) String() string { return [...]string{"journal", "posix"}[r] }

// Options of a disk. The zero value is a journalling disk that flushes at once.
type Options struct {
	Rules Rules
	// FlushTime is the longest that one flush takes; each takes a random part of it,
	// and what it flushes is durable at its end. Without it hardly anything would be
	// on its way when the power goes.
	FlushTime time.Duration
	// SyncAll, when set, is the name of a file in the root whose fsync flushes the whole
	// disk. It stands for syncfs(2), which the kernel hands on to virtiofs alone.
	SyncAll string
	// Changes, when set, is how many writes and changes of names the disk has power for;
	// it goes off when another is asked for. So a test can try every moment.
	Changes int64
}

// rootID is the inode number of the root, fixed by FUSE.
const rootID = 1

// Disk is a filesystem in memory that knows what of it is durable. Its methods may
// be called from many goroutines. Errors are syscall.Errno.
type Disk struct {
	opts Options

	mu     sync.Mutex // guards the fields below
	inodes map[uint64]*inode
	names  []change // in order; those before settled are durable under Journal
	// settled counts how many of names are durable. Under POSIX it stays 0 and each
	// edit knows for itself.
	settled int
	off     bool
	counts  Counts

	out  chan struct{} // closed when the power went by itself
	dark chan struct{} // closed when those that wait without power may go
	once sync.Once
}

// Counts are what a disk was asked to do.
type Counts struct{ Writes, Flushes, DirFlushes, Names int64 }

// change is one change of names: edits that happen together.
type change struct{ edits []edit }

// edit sets or removes one name.
type edit struct {
	dir     uint64
	name    string
	to      uint64 // 0: the name is removed
	durable bool   // under POSIX
}

// inode is a file or directory; the fields of the other kind are unused.
type inode struct {
	id    uint64
	dir   bool
	mode  uint32 // permission bits
	mtime time.Time

	// touched counts the changes of names up to the last that an fsync of this inode
	// makes durable under Journal: its own, or the last before its size changed.
	// sized is the same without renames, which fdatasync leaves out.
	touched, sized int

	data    []byte // as programs see it
	durable []byte
	pending []write // what turns durable into data
	flushed int     // writes that went from pending to durable

	entries map[string]uint64 // as programs see them
	kept    map[string]uint64 // durable before the first of Disk.names
}

// write is one change of a file: bytes at an offset, or a new size when data is nil.
type write struct {
	off  int64
	data []byte
}

func (w write) apply(to []byte) []byte {
	if w.data == nil {
		return resize(to, w.off)
	}
	if end := w.off + int64(len(w.data)); end > int64(len(to)) {
		to = resize(to, end)
	}
	copy(to[w.off:], w.data)
	return to
}

func resize(b []byte, size int64) []byte {
	if n := size - int64(len(b)); n > 0 {
		return append(b, make([]byte, n)...)
	}
	return b[:size:size] // a later growth must not bring old bytes back
}

// NewDisk makes a disk that durably holds img, which may be nil.
func NewDisk(o Options, img Image) *Disk {
	d := &Disk{opts: o, inodes: map[uint64]*inode{}, out: make(chan struct{}), dark: make(chan struct{})}
	d.make(true, 0o755)
	for _, path := range slices.Sorted(maps.Keys(img)) { // parents sort before their children
		e := img[path]
		dir, name := d.parent(path)
		n := d.make(e.Dir, e.Mode)
		n.data, n.durable = slices.Clone(e.Data), slices.Clone(e.Data)
		dir.entries[name], dir.kept[name] = n.id, n.id
	}
	return d
}

func (d *Disk) make(dir bool, mode uint32) *inode {
	n := &inode{id: uint64(len(d.inodes)) + rootID, dir: dir, mode: mode & 0o7777, mtime: time.Now()}
	if dir {
		n.entries, n.kept = map[string]uint64{}, map[string]uint64{}
	}
	d.inodes[n.id] = n
	return n
}

// enter takes the lock, or waits until the disk is unmounted when the power is off:
// a machine without power doesn't answer.
func (d *Disk) enter() error {
	d.mu.Lock()
	if !d.off {
		return nil
	}
	d.mu.Unlock()
	<-d.dark
	return syscall.EIO
}

// enterToChange is enter for those that write or change names.
func (d *Disk) enterToChange() error {
	d.mu.Lock()
	if !d.off && d.opts.Changes > 0 && d.counts.Writes+d.counts.Names >= d.opts.Changes {
		d.off = true
		close(d.out)
	}
	d.mu.Unlock()
	return d.enter()
}

// Out is closed when the power went because Options.Changes were done.
func (d *Disk) Out() <-chan struct{} { return d.out }

// Abandon lets those go who wait on a disk without power; they get EIO.
func (d *Disk) Abandon() { d.once.Do(func() { close(d.dark) }) }

// Counts gives what the disk was asked to do so far.
func (d *Disk) Counts() Counts {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.counts
}

func (d *Disk) directory(id uint64) (*inode, error) {
	n := d.inodes[id]
	switch {
	case n == nil:
		return nil, syscall.ENOENT
	case !n.dir:
		return nil, syscall.ENOTDIR
	}
	return n, nil
}

func (d *Disk) file(id uint64) (*inode, error) {
	n := d.inodes[id]
	switch {
	case n == nil:
		return nil, syscall.ENOENT
	case n.dir:
		return nil, syscall.EISDIR
	}
	return n, nil
}

// change does edits and notes them; every inode they concern is touched.
func (d *Disk) change(edits ...edit) {
	d.counts.Names++
	d.names = append(d.names, change{edits})
	for _, e := range edits {
		dir := d.inodes[e.dir]
		if old := d.inodes[dir.entries[e.name]]; old != nil {
			old.touched = len(d.names)
		}
		if e.to == 0 {
			delete(dir.entries, e.name)
		} else {
			dir.entries[e.name] = e.to
			d.inodes[e.to].touched = len(d.names)
		}
		dir.touched, dir.mtime = len(d.names), time.Now()
	}
}

// Info is what a program is told of a file or directory.
type Info struct {
	ID    uint64
	Dir   bool
	Mode  uint32 // permission bits
	Size  int64  // bytes
	MTime time.Time
}

func (n *inode) info() Info {
	return Info{ID: n.id, Dir: n.dir, Mode: n.mode, Size: int64(len(n.data)), MTime: n.mtime}
}

// Stat gives an inode by its number.
func (d *Disk) Stat(id uint64) (Info, error) {
	if err := d.enter(); err != nil {
		return Info{}, err
	}
	defer d.mu.Unlock()
	n := d.inodes[id]
	if n == nil {
		return Info{}, syscall.ENOENT
	}
	return n.info(), nil
}

// Lookup gives the inode of a name.
func (d *Disk) Lookup(dir uint64, name string) (Info, error) {
	if err := d.enter(); err != nil {
		return Info{}, err
	}
	defer d.mu.Unlock()
	p, err := d.directory(dir)
	if err != nil {
		return Info{}, err
	}
	n := d.inodes[p.entries[name]]
	if n == nil {
		return Info{}, syscall.ENOENT
	}
	return n.info(), nil
}

// Named is an inode and its name in a directory.
type Named struct {
	Name string
	Info
}

// List gives a directory in the order of its names.
func (d *Disk) List(dir uint64) ([]Named, error) {
	if err := d.enter(); err != nil {
		return nil, err
	}
	defer d.mu.Unlock()
	p, err := d.directory(dir)
	if err != nil {
		return nil, err
	}
	var list []Named
	for _, name := range slices.Sorted(maps.Keys(p.entries)) {
		list = append(list, Named{name, d.inodes[p.entries[name]].info()})
	}
	return list, nil
}

// Read fills buf from an offset and gives how many bytes there were.
func (d *Disk) Read(id uint64, off int64, buf []byte) (int, error) {
	if err := d.enter(); err != nil {
		return 0, err
	}
	defer d.mu.Unlock()
	n, err := d.file(id)
	if err != nil {
		return 0, err
	}
	if off >= int64(len(n.data)) {
		return 0, nil
	}
	return copy(buf, n.data[off:]), nil
}

// Chmod sets permission bits.
func (d *Disk) Chmod(id uint64, mode uint32) error {
	if err := d.enter(); err != nil {
		return err
	}
	defer d.mu.Unlock()
	n := d.inodes[id]
	if n == nil {
		return syscall.ENOENT
	}
	n.mode = mode & 0o7777
	return nil
}

// Make creates a file or directory in dir. EEXIST when the name is taken.
func (d *Disk) Make(dir uint64, name string, isDir bool, mode uint32) (uint64, error) {
	if err := d.enterToChange(); err != nil {
		return 0, err
	}
	defer d.mu.Unlock()
	p, err := d.directory(dir)
	if err != nil {
		return 0, err
	}
	if _, taken := p.entries[name]; taken {
		return 0, syscall.EEXIST
	}
	n := d.make(isDir, mode)
	d.change(edit{dir: dir, name: name, to: n.id})
	n.sized = len(d.names)
	return n.id, nil
}

// Remove takes a name away: of a file, or of an empty directory when isDir.
func (d *Disk) Remove(dir uint64, name string, isDir bool) error {
	if err := d.enterToChange(); err != nil {
		return err
	}
	defer d.mu.Unlock()
	p, err := d.directory(dir)
	if err != nil {
		return err
	}
	n := d.inodes[p.entries[name]]
	switch {
	case n == nil:
		return syscall.ENOENT
	case isDir && !n.dir:
		return syscall.ENOTDIR
	case !isDir && n.dir:
		return syscall.EISDIR
	case len(n.entries) > 0:
		return syscall.ENOTEMPTY
	}
	d.change(edit{dir: dir, name: name})
	return nil
}

// Rename moves a name, over whatever stands there if the kinds agree.
func (d *Disk) Rename(dir uint64, name string, toDir uint64, toName string) error {
	if err := d.enterToChange(); err != nil {
		return err
	}
	defer d.mu.Unlock()
	from, err := d.directory(dir)
	if err != nil {
		return err
	}
	to, err := d.directory(toDir)
	if err != nil {
		return err
	}
	n := d.inodes[from.entries[name]]
	if n == nil {
		return syscall.ENOENT
	}
	if old := d.inodes[to.entries[toName]]; old != nil {
		switch {
		case old == n:
			return nil
		case n.dir && !old.dir:
			return syscall.ENOTDIR
		case !n.dir && old.dir:
			return syscall.EISDIR
		case len(old.entries) > 0:
			return syscall.ENOTEMPTY
		}
	}
	if n.dir && d.within(toDir, n.id) {
		return syscall.EINVAL
	}
	d.change(edit{dir: toDir, name: toName, to: n.id}, edit{dir: dir, name: name})
	return nil
}

// within reports whether directory id is under, or lies below it.
func (d *Disk) within(id, under uint64) bool {
	if id == under {
		return true
	}
	for _, child := range d.inodes[under].entries {
		if d.inodes[child].dir && d.within(id, child) {
			return true
		}
	}
	return false
}

// Write puts data at an offset; durably when sync.
func (d *Disk) Write(id uint64, off int64, data []byte, sync bool) error {
	// An empty, non-nil slice: nil means a new size.
	return d.put(id, write{off, append([]byte{}, data...)}, sync)
}

// Truncate gives a file a new size.
func (d *Disk) Truncate(id uint64, size int64) error {
	return d.put(id, write{off: size}, false)
}

func (d *Disk) put(id uint64, w write, sync bool) error {
	if err := d.enterToChange(); err != nil {
		return err
	}
	n, err := d.file(id)
	if err != nil {
		d.mu.Unlock()
		return err
	}
	d.counts.Writes++
	before := len(n.data)
	n.data = w.apply(n.data)
	n.pending = append(n.pending, w)
	n.mtime = time.Now()
	if len(n.data) != before {
		n.touched, n.sized = len(d.names), len(d.names)
	}
	d.mu.Unlock()
	if !sync {
		return nil
	}
	return d.Sync(id, true)
}

// Sync makes the data and size of a file durable, or the names in a directory, and
// under Journal what was journalled before; less of that when dataOnly, which is
// fdatasync. It takes FlushTime at most. What is written meanwhile is not part of it.
func (d *Disk) Sync(id uint64, dataOnly bool) error {
	if err := d.enter(); err != nil {
		return err
	}
	n := d.inodes[id]
	if n == nil {
		d.mu.Unlock()
		return syscall.ENOENT
	}
	if n.dir {
		d.counts.DirFlushes++
	} else {
		d.counts.Flushes++
	}
	all := d.opts.SyncAll != "" && d.inodes[rootID].entries[d.opts.SyncAll] == id
	writes := map[*inode]int{n: len(n.pending)}
	journalled, names := n.touched, len(d.names)
	if dataOnly && !n.dir {
		journalled = n.sized
	}
	if all {
		journalled = names
		for _, n := range d.inodes {
			writes[n] = len(n.pending)
		}
	}
	// Whoever flushed at the same time may have taken some of these writes already.
	before := map[*inode]int{}
	for n := range writes {
		before[n] = n.flushed
	}
	d.mu.Unlock()
	if d.opts.FlushTime > 0 {
		time.Sleep(rand.N(d.opts.FlushTime)) //nolint:gosec // a delay, not a secret
	}
	if err := d.enter(); err != nil {
		return err
	}
	defer d.mu.Unlock()
	for n, upTo := range writes {
		n.settle(upTo - (n.flushed - before[n]))
	}
	if d.opts.Rules == Journal {
		d.settled = max(d.settled, journalled)
		return nil
	}
	if !n.dir && !all {
		return nil
	}
	for _, c := range d.names[:names] {
		for i := range c.edits {
			if all || c.edits[i].dir == id {
				c.edits[i].durable = true
			}
		}
	}
	return nil
}

// settle makes the first count of the pending writes durable.
func (n *inode) settle(count int) {
	if count <= 0 {
		return
	}
	for _, w := range n.pending[:count] {
		n.durable = w.apply(n.durable)
	}
	n.pending = slices.Clone(n.pending[count:])
	n.flushed += count
}
