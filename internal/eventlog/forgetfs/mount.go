package forgetfs

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"syscall"
	"time"

	"github.com/hanwen/go-fuse/v2/fuse"
)

// Mount serves the disk in the existing directory dir until unmount is called. It
// needs root and /dev/fuse; the error says what is missing and what to do.
func (d *Disk) Mount(dir string) (unmount func() error, err error) {
	if os.Geteuid() != 0 {
		return nil, errors.New("forgetfs: mounting a filesystem needs root; run this test as root, for example in a container with --device /dev/fuse --cap-add SYS_ADMIN")
	}
	if _, err := os.Stat("/dev/fuse"); err != nil {
		return nil, fmt.Errorf("forgetfs: /dev/fuse is missing; make it with \"mknod /dev/fuse c 10 229\", or start the container with --device /dev/fuse --cap-add SYS_ADMIN: %w", err)
	}
	server, err := fuse.NewServer(&served{RawFileSystem: fuse.NewDefaultRawFileSystem(), disk: d, lists: map[uint64][]Named{}}, dir, &fuse.MountOptions{
		Name: "forgetfs", FsName: "forgetfs", DirectMountStrict: true, DisableXAttrs: true, DisableReadDirPlus: true, MaxWrite: 128 << 10,
	})
	if err != nil {
		return nil, fmt.Errorf("forgetfs: mount in %s; in a container it needs --cap-add SYS_ADMIN: %w", dir, err)
	}
	go server.Serve()
	if err := server.WaitMount(); err != nil {
		return nil, fmt.Errorf("forgetfs: mount in %s: %w", dir, err)
	}
	return func() error {
		d.Abandon()
		return server.Unmount()
	}, nil
}

// served is a Disk as FUSE sees it. Node numbers are the disk's inode numbers, which
// are never given twice.
type served struct {
	fuse.RawFileSystem // answers "not implemented" to the rest
	disk               *Disk

	mu    sync.Mutex // guards the fields below
	lists map[uint64][]Named
	last  uint64
}

// valid is how long the kernel may keep names and attributes: nobody else changes them.
const valid = time.Hour

func (s *served) String() string { return "forgetfs" }

func attr(i Info, out *fuse.Attr) {
	out.Ino, out.Size, out.Blocks, out.Nlink, out.Blksize = i.ID, uint64(i.Size), uint64(i.Size+sector-1)/sector, 1, 4096 //nolint:gosec // sizes are not negative
	out.Mode = mode(i)
	out.SetTimes(&i.MTime, &i.MTime, &i.MTime)
}

func mode(i Info) uint32 {
	if i.Dir {
		return i.Mode | syscall.S_IFDIR
	}
	return i.Mode | syscall.S_IFREG
}

func entry(i Info, out *fuse.EntryOut) {
	out.NodeId = i.ID
	attr(i, &out.Attr)
	out.SetEntryTimeout(valid)
	out.SetAttrTimeout(valid)
}

func (s *served) Lookup(_ <-chan struct{}, h *fuse.InHeader, name string, out *fuse.EntryOut) fuse.Status {
	i, err := s.disk.Lookup(h.NodeId, name)
	if err == nil {
		entry(i, out)
	}
	return fuse.ToStatus(err)
}

func (s *served) GetAttr(_ <-chan struct{}, in *fuse.GetAttrIn, out *fuse.AttrOut) fuse.Status {
	i, err := s.disk.Stat(in.NodeId)
	if err == nil {
		attr(i, &out.Attr)
		out.SetTimeout(valid)
	}
	return fuse.ToStatus(err)
}

func (s *served) SetAttr(_ <-chan struct{}, in *fuse.SetAttrIn, out *fuse.AttrOut) fuse.Status {
	if size, ok := in.GetSize(); ok {
		if err := s.disk.Truncate(in.NodeId, int64(size)); err != nil { //nolint:gosec // the kernel's limit is below
			return fuse.ToStatus(err)
		}
	}
	if mode, ok := in.GetMode(); ok {
		if err := s.disk.Chmod(in.NodeId, mode); err != nil {
			return fuse.ToStatus(err)
		}
	}
	i, err := s.disk.Stat(in.NodeId)
	if err == nil {
		attr(i, &out.Attr)
		out.SetTimeout(valid)
	}
	return fuse.ToStatus(err)
}

func (s *served) Mkdir(_ <-chan struct{}, in *fuse.MkdirIn, name string, out *fuse.EntryOut) fuse.Status {
	return fuse.ToStatus(s.create(in.NodeId, name, true, in.Mode, out))
}

func (s *served) Create(_ <-chan struct{}, in *fuse.CreateIn, name string, out *fuse.CreateOut) fuse.Status {
	out.OpenFlags = fuse.FOPEN_DIRECT_IO
	return fuse.ToStatus(s.create(in.NodeId, name, false, in.Mode, &out.EntryOut))
}

func (s *served) create(dir uint64, name string, isDir bool, mode uint32, out *fuse.EntryOut) error {
	id, err := s.disk.Make(dir, name, isDir, mode)
	if err != nil {
		return err
	}
	i, err := s.disk.Stat(id)
	if err == nil {
		entry(i, out)
	}
	return err
}

func (s *served) Unlink(_ <-chan struct{}, h *fuse.InHeader, name string) fuse.Status {
	return fuse.ToStatus(s.disk.Remove(h.NodeId, name, false))
}

func (s *served) Rmdir(_ <-chan struct{}, h *fuse.InHeader, name string) fuse.Status {
	return fuse.ToStatus(s.disk.Remove(h.NodeId, name, true))
}

func (s *served) Rename(_ <-chan struct{}, in *fuse.RenameIn, name, toName string) fuse.Status {
	if in.Flags != 0 {
		return fuse.EINVAL // exchange and no-replace: rename(2) has programs expect EINVAL
	}
	return fuse.ToStatus(s.disk.Rename(in.NodeId, name, in.Newdir, toName))
}

// Open goes round the kernel's page cache: every write comes here when it is made.
func (s *served) Open(_ <-chan struct{}, in *fuse.OpenIn, out *fuse.OpenOut) fuse.Status {
	out.OpenFlags = fuse.FOPEN_DIRECT_IO
	if in.Flags&syscall.O_TRUNC != 0 {
		return fuse.ToStatus(s.disk.Truncate(in.NodeId, 0))
	}
	return fuse.OK
}

func (s *served) Read(_ <-chan struct{}, in *fuse.ReadIn, buf []byte) (fuse.ReadResult, fuse.Status) {
	n, err := s.disk.Read(in.NodeId, int64(in.Offset), buf) //nolint:gosec // the kernel's limit is below
	return fuse.ReadResultData(buf[:n]), fuse.ToStatus(err)
}

func (s *served) Write(_ <-chan struct{}, in *fuse.WriteIn, data []byte) (uint32, fuse.Status) {
	// O_SYNC contains O_DSYNC.
	err := s.disk.Write(in.NodeId, int64(in.Offset), data, in.Flags&syscall.O_DSYNC != 0) //nolint:gosec // the kernel's limit is below
	if err != nil {
		return 0, fuse.ToStatus(err)
	}
	return uint32(len(data)), fuse.OK //nolint:gosec // at most MaxWrite
}

// Flush is a close; it makes nothing durable.
func (s *served) Flush(<-chan struct{}, *fuse.FlushIn) fuse.Status { return fuse.OK }

func (s *served) Fsync(_ <-chan struct{}, in *fuse.FsyncIn) fuse.Status {
	const dataSync = 1 // FUSE_FSYNC_FDATASYNC of the kernel's fuse.h
	return fuse.ToStatus(s.disk.Sync(in.NodeId, in.FsyncFlags&dataSync != 0))
}

func (s *served) FsyncDir(_ <-chan struct{}, in *fuse.FsyncIn) fuse.Status {
	return fuse.ToStatus(s.disk.Sync(in.NodeId, false))
}

// OpenDir lists the directory once, so that removing while reading skips nothing.
func (s *served) OpenDir(_ <-chan struct{}, in *fuse.OpenIn, out *fuse.OpenOut) fuse.Status {
	list, err := s.disk.List(in.NodeId)
	if err != nil {
		return fuse.ToStatus(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last++
	s.lists[s.last] = list
	out.Fh = s.last
	return fuse.OK
}

func (s *served) ReadDir(_ <-chan struct{}, in *fuse.ReadIn, out *fuse.DirEntryList) fuse.Status {
	s.mu.Lock()
	if in.Offset == 0 { // opened, or rewound: see what is there now
		s.mu.Unlock()
		list, err := s.disk.List(in.NodeId)
		if err != nil {
			return fuse.ToStatus(err)
		}
		s.mu.Lock()
		s.lists[in.Fh] = list
	}
	list := s.lists[in.Fh]
	s.mu.Unlock()
	for i := in.Offset; i < uint64(len(list)); i++ {
		e := list[i]
		if !out.AddDirEntry(fuse.DirEntry{Name: e.Name, Ino: e.ID, Mode: mode(e.Info), Off: i + 1}) {
			break
		}
	}
	return fuse.OK
}

func (s *served) ReleaseDir(in *fuse.ReleaseIn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.lists, in.Fh)
}

// StatFs promises room: what happens on a full disk is another test.
func (s *served) StatFs(_ <-chan struct{}, _ *fuse.InHeader, out *fuse.StatfsOut) fuse.Status {
	const blocks = 64 << 30 / 4096
	*out = fuse.StatfsOut{Blocks: blocks, Bfree: blocks, Bavail: blocks, Files: 1 << 20, Ffree: 1 << 20, Bsize: 4096, Frsize: 4096, NameLen: 255}
	return fuse.OK
}
