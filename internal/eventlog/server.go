package eventlog

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
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
// purging or restoring a stream and deleting a message are not on the list.
var daemonMay = []string{
	"custody.>", "readings.>", "keys.>", "lease.>",
	"$JS.API.INFO", "$JS.API.STREAM.INFO.>", "$JS.API.STREAM.NAMES", "$JS.API.DIRECT.GET.>", "$JS.API.STREAM.MSG.GET.>",
	"$JS.API.CONSUMER.CREATE.>", "$JS.API.CONSUMER.INFO.>", "$JS.API.CONSUMER.DELETE.>", "$JS.API.CONSUMER.MSG.NEXT.>",
	"$JS.ACK.>", "$JS.FC.>",
}

// embedded is a nats-server inside this process, without a listener.
type embedded struct {
	srv              *server.Server
	daemonPassword   string
	operatorPassword string
}

// startEmbedded starts the server on dir. Each message is flushed before it is
// answered; with flushLate the caller flushes the files itself.
func startEmbedded(dir string, maxStore int64, key string, flushLate bool, logger *slog.Logger) (*embedded, error) {
	flush := "always"
	if flushLate {
		flush = `"2m"` // the server's own default
	}
	e := &embedded{daemonPassword: secret(), operatorPassword: secret()}
	var enc string
	if key != "" {
		enc = fmt.Sprintf("key: %q\n  cipher: aes\n", key)
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
`, filepath.Join(dir, "store"), maxStore, flush, enc, daemonUser, e.daemonPassword, quoted(daemonMay), operatorUser, e.operatorPassword)
	if err := mend(filepath.Join(dir, "store"), logger); err != nil {
		return nil, err
	}
	opts := &server.Options{}
	if err := opts.ProcessConfigString(conf); err != nil {
		return nil, fmt.Errorf("eventlog: embedded server settings: %w", err)
	}
	opts.DontListen, opts.NoSigs, opts.NoLog = true, true, true
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("eventlog: embedded server: %w", err)
	}
	srv.Start()
	if !srv.ReadyForConnections(60 * time.Second) {
		srv.Shutdown()
		return nil, errors.New("eventlog: the embedded server did not start within 60 s")
	}
	if !srv.JetStreamEnabled() {
		srv.Shutdown()
		return nil, fmt.Errorf("eventlog: the embedded server could not open its store in %s; check that the folder can be written and the disk has room", dir)
	}
	e.srv = srv
	return e, nil
}

func (e *embedded) connect(user string, more ...nats.Option) (*nats.Conn, error) {
	password := e.daemonPassword
	if user == operatorUser {
		password = e.operatorPassword
	}
	return nats.Connect("", append(more, nats.InProcessServer(e.srv), nats.UserInfo(user, password), nats.Name("custodyd "+user),
		nats.MaxReconnects(-1))...)
}

func (e *embedded) stop() {
	e.srv.Shutdown()
	e.srv.WaitForShutdown()
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
