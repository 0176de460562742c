package notify

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"
	"time"
)

// Channel carries messages to somebody.
type Channel interface {
	// Send returns nil only when the other side has said that it took the message. A
	// Refusal says that this message won't be taken as it is; any other error that it
	// is worth trying again.
	Send(ctx context.Context, m Message) error
}

// Refusal is an answer that trying at once again can't change.
type Refusal struct{ Said string }

func (r *Refusal) Error() string { return "notify: refused: " + r.Said }

// Later is an answer that names how long to wait before trying again.
type Later struct {
	For  time.Duration
	Said string
}

func (l *Later) Error() string { return fmt.Sprintf("notify: asked to wait %s: %s", l.For, l.Said) }

// leastSecret is how many characters a secret must have: as many bytes as SHA-256
// gives (RFC 2104 section 3 discourages fewer).
const leastSecret = 32

// ReadSecrets reads the secrets of a file, one a line, the one in use first. A second
// is there while the receiver changes from one to the other.
func ReadSecrets(path string) ([][]byte, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("notify: secret file: %w", err)
	}
	var secrets [][]byte
	for line := range strings.Lines(string(data)) {
		if line = strings.TrimSpace(line); line != "" {
			secrets = append(secrets, []byte(line))
		}
	}
	return secrets, checkSecrets(path, secrets)
}

func checkSecrets(from string, secrets [][]byte) error {
	const remedy = "make one with: head -c 32 /dev/urandom | base64"
	if len(secrets) == 0 || len(secrets) > 2 {
		return fmt.Errorf("notify: secret: %s holds %d secrets; give one, or two while the receiver changes; %s", from, len(secrets), remedy)
	}
	for i, s := range secrets {
		if len(s) < leastSecret {
			return fmt.Errorf("notify: secret: number %d of %s has fewer than %d characters; %s", i+1, from, leastSecret, remedy)
		}
	}
	return nil
}

// loopback tells whether a host is this machine's alone by its own words.
func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// dial connects; a plain connection only to the loopback, whatever a name resolves to.
func dial(ctx context.Context, network, address string, plain bool) (net.Conn, error) {
	d := net.Dialer{Timeout: 5 * time.Second}
	conn, err := d.DialContext(ctx, network, address)
	if err != nil || !plain {
		return conn, err
	}
	if tcp, ok := conn.RemoteAddr().(*net.TCPAddr); !ok || !tcp.IP.IsLoopback() {
		_ = conn.Close()
		return nil, errors.New("notify: a connection without TLS goes to this machine alone; use TLS")
	}
	return conn, nil
}
