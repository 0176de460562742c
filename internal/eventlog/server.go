package eventlog

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// The two users of the account: the daemon's own, which may publish and read,
// and the operator's, which start-up and operator commands use to create streams
// and raise limits. A denied call shows as a time-out, not as an error.
const (
	daemonUser   = "daemon"
	operatorUser = "operator"
)

// daemonMay is everything the daemon's user may publish to. Updating, deleting,
// purging or restoring a stream are not on the list, nor is deleting a message but for
// what can be erased.
var daemonMay = []string{
	"custody.>", "readings.>", "keys.>", "identity.>", "access.>", "signin.>", "sessions.>", "phones.>", "notify.>", "lease.>",
	"$JS.API.STREAM.MSG.DELETE.KEYS", "$JS.API.STREAM.MSG.DELETE.IDENTITY", "$JS.API.STREAM.MSG.DELETE.SIGNIN",
	"$JS.API.INFO", "$JS.API.STREAM.INFO.>", "$JS.API.STREAM.NAMES", "$JS.API.DIRECT.GET.>", "$JS.API.STREAM.MSG.GET.>",
	"$JS.API.CONSUMER.CREATE.>", "$JS.API.CONSUMER.INFO.>", "$JS.API.CONSUMER.DELETE.>", "$JS.API.CONSUMER.MSG.NEXT.>",
	"$JS.ACK.>", "$JS.FC.>",
}

// DaemonMay is what the daemon's user may publish to, for the settings of an
// external cluster; it subscribes to "_INBOX.>" alone.
func DaemonMay() []string { return slices.Clone(daemonMay) }

// embedded is a nats-server inside this process, without a listener. It can be
// started again while its connections stay: they find the new one by themselves.
type embedded struct {
	dir, key, flush                  string
	daemonPassword, operatorPassword string
	logger                           *slog.Logger

	mu       sync.Mutex // guards the fields below
	srv      *server.Server
	maxStore int64
}

// startEmbedded starts the server on dir. Each message is flushed before it is
// answered; with flushLate the caller flushes the files itself.
func startEmbedded(dir string, maxStore int64, key string, flushLate bool, logger *slog.Logger) (*embedded, error) {
	e := &embedded{dir: dir, key: key, logger: logger, flush: "always", maxStore: maxStore, daemonPassword: secret(), operatorPassword: secret()}
	if flushLate {
		e.flush = `"2m"` // the server's own default
	}
	return e, e.start()
}

func (e *embedded) store() string { return filepath.Join(e.dir, "store") }

func (e *embedded) options(maxStore int64) (*server.Options, error) {
	var enc string
	if e.key != "" {
		enc = fmt.Sprintf("key: %q\n  cipher: aes\n", e.key)
	}
	conf := fmt.Sprintf(`
server_name: custody
max_payload: 8MB
jetstream {
  store_dir: %q
  max_file_store: %d
  max_memory_store: 16777216
  sync_interval: %s
  %s
}
accounts {
  LAB {
    jetstream: enabled
    users: [
      {user: %s, password: %q, permissions: {publish: {allow: [%s]}, subscribe: {allow: ["_INBOX.>"]}}}
      {user: %s, password: %q}
    ]
  }
}
`, e.store(), maxStore, e.flush, enc, daemonUser, e.daemonPassword, quoted(daemonMay), operatorUser, e.operatorPassword)
	opts := &server.Options{}
	if err := opts.ProcessConfigString(conf); err != nil {
		return nil, fmt.Errorf("eventlog: embedded server settings: %w", err)
	}
	opts.DontListen, opts.NoSigs, opts.NoLog = true, true, true
	return opts, nil
}

func (e *embedded) start() error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if err := mend(e.store(), e.logger); err != nil {
		return err
	}
	opts, err := e.options(e.maxStore)
	if err != nil {
		return err
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return fmt.Errorf("eventlog: embedded server: %w", err)
	}
	srv.Start()
	if !srv.ReadyForConnections(60 * time.Second) {
		srv.Shutdown()
		return errors.New("eventlog: the embedded server did not start within 60 s")
	}
	if !srv.JetStreamEnabled() {
		srv.Shutdown()
		return fmt.Errorf("eventlog: the embedded server could not open its store in %s; check that the folder can be written and the disk has room", e.dir)
	}
	e.srv = srv
	return nil
}

// InProcessConn implements nats.InProcessConnProvider.
func (e *embedded) InProcessConn() (net.Conn, error) {
	e.mu.Lock()
	srv := e.srv
	e.mu.Unlock()
	return srv.InProcessConn()
}

func (e *embedded) connect(user string, more ...nats.Option) (*nats.Conn, error) {
	password := e.daemonPassword
	if user == operatorUser {
		password = e.operatorPassword
	}
	return nats.Connect("", append(more, nats.InProcessServer(e), nats.UserInfo(user, password), nats.Name("custodyd "+user),
		nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond), nats.ReconnectJitter(0, 0), nats.ReconnectBufSize(-1))...)
}

// writeError is what the server says of a store that it can't write any more, ""
// while all is well. It never gets over one by itself and answers no publish.
func (e *embedded) writeError() string {
	e.mu.Lock()
	srv := e.srv
	e.mu.Unlock()
	if !srv.JetStreamEnabled() {
		return "JetStream was shut down"
	}
	if said := srv.Healthz(&server.HealthzOptions{}).Error; strings.Contains(said, "write error") {
		return said
	}
	return ""
}

// raise sets a higher limit of the whole store while it runs.
func (e *embedded) raise(maxStore int64) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	if maxStore <= e.maxStore {
		return nil
	}
	opts, err := e.options(maxStore)
	if err != nil {
		return err
	}
	if err := e.srv.ReloadOptions(opts); err != nil {
		return fmt.Errorf("eventlog: raise the limit of the store: %w", err)
	}
	e.maxStore = maxStore
	return nil
}

func (e *embedded) stop() {
	e.mu.Lock()
	srv := e.srv
	e.mu.Unlock()
	if srv == nil {
		return
	}
	srv.Shutdown()
	srv.WaitForShutdown()
}

// secret is a password for this process's life only.
func secret() string {
	var b [24]byte
	_, _ = rand.Read(b[:]) // never fails on the platforms Go supports; crypto/rand aborts instead
	return hex.EncodeToString(b[:])
}

func quoted(words []string) string {
	q := make([]string, len(words))
	for i, w := range words {
		q[i] = fmt.Sprintf("%q", w)
	}
	return strings.Join(q, ", ")
}
