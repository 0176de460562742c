package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// poolSize is the number of connections that the callers share, a common
// setting; without a pool hundreds of connections contend.
const poolSize = 16

// postgres is a relational database as a yardstick: one row a commit, each
// commit synced.
type postgres struct {
	pool chan *pgx.Conn
	stop func()
}

// openPostgres takes the server that the PG environment variables name, or
// starts a private one where its programs are installed. Without either the
// error is errNoServer.
func openPostgres(ctx context.Context) (*postgres, error) {
	p := &postgres{pool: make(chan *pgx.Conn, poolSize), stop: func() {}}
	address := "" // pgx then reads PGHOST and its siblings
	if os.Getenv("PGHOST") == "" {
		var err error
		if address, p.stop, err = startPostgres(ctx); err != nil {
			return nil, fmt.Errorf("%w: %w", errNoServer, err)
		}
	}
	for range poolSize {
		conn, err := pgx.Connect(ctx, address)
		if err != nil {
			p.close()
			return nil, fmt.Errorf("%w: %w", errNoServer, err)
		}
		p.pool <- conn
	}
	conn := <-p.pool
	defer func() { p.pool <- conn }()
	_, err := conn.Exec(ctx, "create table if not exists custody_bench (id bigserial primary key, key text not null, data bytea not null)")
	if err != nil {
		p.close()
		return nil, err
	}
	return p, nil
}

func (p *postgres) close() {
	for len(p.pool) > 0 {
		conn := <-p.pool
		if len(p.pool) == 0 {
			_, _ = conn.Exec(context.Background(), "drop table if exists custody_bench") // ours, on a server that may be another's
		}
		_ = conn.Close(context.Background())
	}
	p.stop()
}

// rows lets n callers commit one row after another.
func (p *postgres) rows(ctx context.Context, n int, payload []byte) (sample, error) {
	return together(ctx, n, func(ctx context.Context, i int) error {
		conn := <-p.pool
		defer func() { p.pool <- conn }()
		_, err := conn.Exec(ctx, "insert into custody_bench (key, data) values ($1, $2)", "L-T"+strconv.Itoa(i), payload)
		return err
	})
}

// startPostgres makes a cluster in a scratch directory, reached by a socket in
// it. The server refuses to run as root, so root lends it another user.
func startPostgres(ctx context.Context) (address string, stop func(), err error) {
	bin, err := postgresPrograms()
	if err != nil {
		return "", nil, err
	}
	dir, err := os.MkdirTemp("", "custody-pg-")
	if err != nil {
		return "", nil, err
	}
	as, err := otherThanRoot(dir)
	if err != nil {
		return "", nil, err
	}
	data := filepath.Join(dir, "data")
	command := func(name string, args ...string) *exec.Cmd {
		c := exec.CommandContext(ctx, filepath.Join(bin, name), args...)
		c.Dir, c.SysProcAttr = dir, as
		return c
	}
	if out, err := command("initdb", "-D", data, "-U", "bench", "-A", "trust", "--no-sync").CombinedOutput(); err != nil {
		_ = os.RemoveAll(dir)
		return "", nil, fmt.Errorf("initdb: %w: %s", err, bytes.TrimSpace(out))
	}
	server := command("postgres", "-D", data, "-k", dir, "-c", "listen_addresses=", "-c", "synchronous_commit=on", "-c", "fsync=on")
	server.Cancel = func() error { return server.Process.Signal(os.Interrupt) } // "fast" shutdown
	server.WaitDelay = 10 * time.Second
	if err := server.Start(); err != nil {
		_ = os.RemoveAll(dir)
		return "", nil, err
	}
	stop = func() {
		_ = server.Process.Signal(os.Interrupt)
		_ = server.Wait()
		_ = os.RemoveAll(dir)
	}
	address = "host=" + dir + " user=bench dbname=postgres"
	for range 100 {
		conn, cerr := pgx.Connect(ctx, address)
		if cerr == nil {
			_ = conn.Close(ctx)
			return address, stop, nil
		}
		err = cerr
		time.Sleep(100 * time.Millisecond)
	}
	stop()
	return "", nil, err
}

// postgresPrograms finds the folder of the server's programs, the newest first.
func postgresPrograms() (string, error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb") // the pattern is well formed
	slices.Sort(found)
	if len(found) > 0 {
		return filepath.Dir(found[len(found)-1]), nil
	}
	path, err := exec.LookPath("initdb")
	if err != nil {
		return "", err
	}
	return filepath.Dir(path), nil
}

// otherThanRoot gives dir to a user without rights and says how to become it.
func otherThanRoot(dir string) (*syscall.SysProcAttr, error) {
	if os.Getuid() != 0 {
		return nil, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err := strconv.ParseUint(u.Uid, 10, 32)
		if err != nil {
			return nil, err
		}
		gid, err := strconv.ParseUint(u.Gid, 10, 32)
		if err != nil {
			return nil, err
		}
		if err := os.Chown(dir, int(uid), int(gid)); err != nil {
			return nil, err
		}
		return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}, nil
	}
	return nil, fmt.Errorf("no user named postgres or nobody to run it as")
}
