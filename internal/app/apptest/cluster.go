package apptest

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/eventlog"
)

// The users of a cluster. The daemon's may do what the embedded server's daemon
// may; the passwords are for tests.
const (
	daemonLogin   = "daemon:invented-for-tests"
	operatorLogin = "operator:invented-for-tests-too"
)

// Cluster is three nats-server processes with JetStream, each on a folder and ports
// of its own that it keeps over restarts.
type Cluster struct {
	Nodes [3]*Node
	// IdentityKeys is the file that all daemons of the cluster share.
	IdentityKeys string
	tb           testing.TB
}

// Node is one server of a cluster.
type Node struct {
	*Process        // nil before the first start
	Name     string // n0, n1 or n2
	Client   string // address for clients
	Dir      string // its store
	monitor  string
	config   string
	tb       testing.TB
}

// NewCluster starts three servers and waits until they have a leader.
func NewCluster(tb testing.TB) *Cluster {
	tb.Helper()
	c := &Cluster{tb: tb, IdentityKeys: filepath.Join(tb.TempDir(), "identity.keys")}
	ports := FreePorts(tb, 9)
	var routes []string
	for i := range c.Nodes {
		routes = append(routes, fmt.Sprintf("%q", "nats-route://"+ports[6+i]))
	}
	for i := range c.Nodes {
		n := &Node{Name: fmt.Sprint("n", i), Client: ports[i], monitor: ports[3+i], Dir: tb.TempDir(), tb: tb}
		n.config = filepath.Join(n.Dir, "server.conf")
		text := serverConfig(n, ports[6+i], routes)
		if err := os.WriteFile(n.config, []byte(text), 0o600); err != nil {
			tb.Fatal(err)
		}
		c.Nodes[i] = n
	}
	for _, n := range c.Nodes {
		n.Start()
	}
	c.Healthy()
	return c
}

// Healthy waits until all servers are.
func (c *Cluster) Healthy() {
	c.tb.Helper()
	for _, n := range c.Nodes {
		n.Healthy()
	}
}

// Revive waits until all servers are healthy. One that isn't after a third of Patience
// is started again, as its operator would do who reads its health; they are counted.
func (c *Cluster) Revive() int {
	c.tb.Helper()
	again := 0
	for _, n := range c.Nodes {
		ok, why := within(c.tb, Patience/3, healthEvery, n.isHealthy)
		if ok {
			continue
		}
		again++
		c.tb.Logf("%s stayed unhealthy and is started again: %s; it said:\n%s", n.Name, why, last(quiet(n.Said()), 8000))
		n.Kill()
		n.Start()
		n.Healthy()
	}
	return again
}

// quiet leaves out what a server says of routes and of being asked.
func quiet(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		if !strings.Contains(line, "Healthcheck failed") && !strings.Contains(line, " - rid:") && !strings.Contains(line, "trying to connect to route") {
			b.WriteString(line)
		}
	}
	return b.String()
}

// serverConfig is deploy's recommendation in short: every write on the disk before
// its answer, one account, a daemon that can't change streams, and no addresses
// told to clients, so that a test knows which way they go.
func serverConfig(n *Node, route string, routes []string) string {
	may := make([]string, 0, 16)
	for _, s := range eventlog.DaemonMay() {
		may = append(may, fmt.Sprintf("%q", s))
	}
	user := func(login string) string {
		name, password, _ := strings.Cut(login, ":")
		return fmt.Sprintf("user: %s, password: %q", name, password)
	}
	return fmt.Sprintf(`
server_name: %s
listen: %q
http: %q
max_payload: 8MB
jetstream { store_dir: %q, sync_interval: always, max_file_store: 40GB, max_memory_store: 64MB }
cluster { name: lab, listen: %q, routes: [%s], no_advertise: true }
accounts {
  LAB {
    jetstream: enabled
    users: [
      {%s, permissions: {publish: {allow: [%s]}, subscribe: {allow: ["_INBOX.>"]}}}
      {%s}
    ]
  }
}
`, n.Name, n.Client, n.monitor, filepath.Join(n.Dir, "store"), route, strings.Join(routes, ", "), user(daemonLogin), strings.Join(may, ", "), user(operatorLogin))
}

// Start starts the server, for the first time or after its end.
func (n *Node) Start() {
	n.tb.Helper()
	n.Process = start(n.tb, Program(n.tb, "github.com/nats-io/nats-server/v2"), "-c", n.config)
}

// Healthy waits until the server says that it is, with all its streams current.
func (n *Node) Healthy() {
	n.tb.Helper()
	if ok, why := within(n.tb, Patience, healthEvery, n.isHealthy); !ok {
		n.tb.Fatalf("%s does not get healthy: %s; it said:\n%s", n.Name, why, last(quiet(n.Said()), 8000))
	}
}

// healthEvery is how often a server is asked: each asking walks all its streams.
const healthEvery = 200 * time.Millisecond

func (n *Node) isHealthy(ctx context.Context) (bool, string) {
	var h struct{ Status, Error string }
	if err := getJSON(ctx, "http://"+n.monitor+"/healthz", &h); err != nil {
		return false, err.Error()
	}
	return h.Status == "ok", h.Status + " " + h.Error
}

// URL names servers as the daemon's user; with none given, all of them.
func (c *Cluster) URL(nodes ...*Node) string { return c.url(daemonLogin, nodes) }

// OperatorURL is URL for the user that may create streams.
func (c *Cluster) OperatorURL(nodes ...*Node) string { return c.url(operatorLogin, nodes) }

// URLVia is URL over another address, such as a proxy's.
func URLVia(address string) string { return "nats://" + daemonLogin + "@" + address }

func (c *Cluster) url(login string, nodes []*Node) string {
	if len(nodes) == 0 {
		nodes = c.Nodes[:]
	}
	urls := make([]string, len(nodes))
	for i, n := range nodes {
		urls[i] = "nats://" + login + "@" + n.Client
	}
	return strings.Join(urls, ",")
}

// Leader waits until the stream has a leader and gives it.
func (c *Cluster) Leader(stream string) *Node {
	c.tb.Helper()
	var leader *Node
	Until(c.tb, "a leader of "+stream, func(ctx context.Context) (bool, string) {
		why := "no server answers"
		for _, n := range c.Nodes {
			if n.Ended() {
				continue
			}
			name, err := n.leaderOf(ctx, stream)
			if err != nil {
				why = err.Error()
				continue
			}
			for _, other := range c.Nodes {
				if other.Name == name && !other.Ended() {
					leader = other
					return true, ""
				}
			}
			why = fmt.Sprintf("%s says %q leads", n.Name, name)
		}
		return false, why
	})
	return leader
}

// Follower gives a running server that does not lead the stream.
func (c *Cluster) Follower(stream string) *Node {
	c.tb.Helper()
	leader := c.Leader(stream)
	for _, n := range c.Nodes {
		if n != leader && !n.Ended() {
			return n
		}
	}
	c.tb.Fatal("no follower runs")
	return nil
}

func (n *Node) leaderOf(ctx context.Context, stream string) (string, error) {
	var jsz struct {
		Accounts []struct {
			Streams []struct {
				Name    string `json:"name"`
				Cluster struct {
					Leader string `json:"leader"`
				} `json:"cluster"`
			} `json:"stream_detail"`
		} `json:"account_details"`
	}
	if err := getJSON(ctx, "http://"+n.monitor+"/jsz?accounts=true&streams=true", &jsz); err != nil {
		return "", err
	}
	for _, a := range jsz.Accounts {
		for _, s := range a.Streams {
			if s.Name == stream {
				return s.Cluster.Leader, nil
			}
		}
	}
	return "", fmt.Errorf("%s has no stream %s", n.Name, stream)
}

var client = &http.Client{
	Timeout:   10 * time.Second,
	Transport: &http.Transport{DisableKeepAlives: true, DialContext: (&net.Dialer{Timeout: 2 * time.Second}).DialContext},
}

func getJSON(ctx context.Context, url string, v any) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return err
	}
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	return json.NewDecoder(resp.Body).Decode(v)
}
