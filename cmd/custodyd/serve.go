package main

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/demo"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/config"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/snapshot"
)

// stopWithin bounds how long requests under way may hold up a stop.
const stopWithin = 10 * time.Second

// serve runs the daemon until ctx ends or a part of it fails. again reads the
// settings anew, for what can be changed while it runs.
func serve(ctx context.Context, s config.Settings, again func() (config.Settings, error), stdout, stderr io.Writer) error {
	logger := newLogger(s.Log, stderr)
	if s.MemoryLimit > 0 && os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(s.MemoryLimit)
	}
	app.TuneMemory()
	if s.Demo {
		dir, err := os.MkdirTemp("", "custody-demo-")
		if err != nil {
			return err
		}
		defer func() { _ = os.RemoveAll(dir) }()
		s.Data, s.NATS, s.KeyFile, s.IdentityKeys = dir, "", "", ""
		s.Receivers = nil // nobody outside is told of invented tubes
	}
	listener, err := listen(s.Listen, s.Demo)
	if err != nil {
		return err
	}
	defer func() { _ = listener.Close() }()
	parts := app.Parts{Logger: logger, Demo: s.Demo, Clock: app.WallClock(), Listener: listener, LabelDPI: s.LabelDPI, SignIn: s.Asks(), StrictTLS: s.TLSCert != "", KeepDays: s.IdentityKeepDays}
	if parts.House, err = house(s); err != nil {
		return err
	}
	if parts.Receivers, err = receiversOf(s); err != nil {
		return err
	}
	if s.Clock == "steered" {
		parts.Clock = app.SteeredClock(0)
	}
	key, err := s.Key()
	if err != nil {
		return err
	}
	if s.Data != "" {
		unlock, err := lock(s.Data)
		if err != nil {
			return err
		}
		defer unlock()
	}
	scheme, certificate, err := certify(s, listener.Addr(), logger)
	if err != nil {
		return err
	}
	if certificate != nil {
		parts.TLS = certificate.Config()
	}
	if parts.Secret, err = app.Secret(s.Data, key); err != nil {
		return err
	}
	if parts.Ring, err = ringOf(s, parts.Clock.Now); err != nil {
		return err
	}
	if s.Traces != "" {
		provider, flush, err := app.Traces(ctx, s.Traces, logger)
		if err != nil {
			return err
		}
		defer func() {
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
			defer cancel()
			_ = flush(last) // what could not be sent was logged
		}()
		parts.Tracer = provider
	}
	url, operatorURL, err := s.Cluster()
	if err != nil {
		return err
	}
	if parts.Keep = keepFor(s, url, []byte(key), logger); parts.Keep != nil {
		if err := parts.ReadAhead(); err != nil {
			return err
		}
	}
	parts.Log, err = eventlog.Open(ctx, eventlog.Options{
		Dir: s.Data, URL: url, OperatorURL: operatorURL, Replicas: s.Replicas, Volume: s.Volume,
		MaxBytes: s.MaxBytes, MaxStore: s.MaxStore, Key: key, Logger: logger,
	})
	if err != nil {
		return err
	}
	daemon, err := app.Start(ctx, parts)
	if err != nil {
		return err
	}
	if s.Data != "" {
		door, err := openDoor(s.Data, &operatorCalls{
			log: parts.Log, model: daemon.Model(), secret: parts.Secret, started: time.Now(),
			setUp: func() (string, error) {
				path, err := daemon.AnotherSetUpLink()
				return linkTo(s, scheme, listener.Addr(), path), err
			},
		})
		if err != nil {
			logger.Warn("backup, doctor and volume can't reach this process: "+err.Error(), slog.String("data", s.Data))
		} else {
			defer door()
		}
	}
	var extra sync.WaitGroup
	demoCtx, endDemo := context.WithCancel(ctx)
	if s.Demo {
		if err := startDemo(demoCtx, daemon, parts, &extra, stdout, logger); err != nil {
			endDemo()
			return errors.Join(err, daemon.Stop(ctx))
		}
	}
	_, _ = fmt.Fprintf(stdout, "custodyd serves on %s://%s  (wall: /wall, API: /docs, health: /healthz); stop it with Ctrl-C\n", scheme, listener.Addr())
	if certificate != nil {
		_, _ = fmt.Fprintln(stdout, certificate.Say())
		extra.Go(func() { certificate.Watch(demoCtx) })
	}
	if err := sayWhoComesIn(ctx, daemon, s, scheme, listener.Addr(), stdout); err != nil {
		endDemo()
		return errors.Join(err, daemon.Stop(ctx))
	}
	var failed error
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	for running := true; running; {
		select {
		case <-ctx.Done():
			logger.Info("stopping")
			running = false
		case failed = <-daemon.Failed():
			running = false
		case <-hangup:
			raise(ctx, parts.Log, again, logger)
		}
	}
	endDemo()
	extra.Wait()
	stop, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	return errors.Join(failed, daemon.Stop(stop))
}

// modelFolder is where the model keeps snapshots of itself, in the data folder. It may be
// removed while custodyd stands still: the next start then reads the whole log.
const modelFolder = "model"

// keepFor says where the model keeps what it was worked out to be, nil for nowhere.
func keepFor(s config.Settings, url string, key []byte, logger *slog.Logger) *live.Keep {
	if s.Data == "" {
		return nil
	}
	folder, err := snapshot.Open(filepath.Join(s.Data, modelFolder), key)
	if err != nil {
		logger.Warn("no snapshots of the model are kept; each start reads the whole log", slog.Any("error", err))
		return nil
	}
	// The address holds a password; another address is another log, and only costs a reading.
	every := time.Duration(s.SnapshotMinutes * float64(time.Minute))
	return &live.Keep{Folder: folder, Every: every, Log: fmt.Sprintf("%s %x", s.Volume, sha256.Sum256([]byte(url)))}
}

// house is the house's own sign-in, nil for none.
func house(s config.Settings) (*auth.HouseOptions, error) {
	if s.OIDCIssuer == "" {
		return nil, nil //nolint:nilnil // none is no error
	}
	secret, err := s.OIDCSecret()
	if err != nil {
		return nil, err
	}
	return &auth.HouseOptions{
		Issuer: s.OIDCIssuer, Client: s.OIDCClient, Secret: secret, Claim: s.OIDCClaim, Back: strings.TrimSuffix(s.PublicURL, "/") + "/sign-in/back", Now: time.Now,
	}, nil
}

// sayWhoComesIn prints the link by which the first engineer comes in, or that nobody is
// asked to sign in.
func sayWhoComesIn(ctx context.Context, daemon *app.App, s config.Settings, scheme string, address net.Addr, stdout io.Writer) error {
	if !s.Asks() {
		_, _ = fmt.Fprintln(stdout, "nobody is asked to sign in: it listens to this machine alone, and whoever uses this machine may do everything")
		return nil
	}
	path, err := daemon.SetUpLink(ctx)
	if err != nil || path == "" {
		return err
	}
	_, _ = fmt.Fprintf(stdout, "nobody can sign in yet. Whoever opens this link becomes the first engineer; it is good once:\n  %s\n", linkTo(s, scheme, address, path))
	return nil
}

// linkTo is where a browser finds a path of this daemon.
func linkTo(s config.Settings, scheme string, address net.Addr, path string) string {
	if s.PublicURL != "" {
		return strings.TrimSuffix(s.PublicURL, "/") + path
	}
	host, port, err := net.SplitHostPort(address.String())
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		host = "localhost" // on all addresses: what the machine is called from elsewhere
		if names := s.Names(); len(names) > 0 {
			host = names[0]
		} else if name, err := os.Hostname(); err == nil {
			host = name
		}
	}
	return scheme + "://" + net.JoinHostPort(host, port) + path
}

// ringOf opens the keys that wrap the patients' keys. All daemons of a cluster must see
// one file, so there it has no place that goes without saying.
func ringOf(s config.Settings, now func() event.Instant) (*identity.Ring, error) {
	path := s.IdentityKeys
	if path == "" && s.NATS != "" {
		return nil, errors.New("identity-keys: with an external cluster name the file of the keys that wrap the patients' keys; every daemon of the cluster must see the same file")
	}
	if path == "" {
		path = filepath.Join(s.Data, app.RingFile)
	}
	return identity.OpenRing(path, now, rand.Reader)
}

// raise takes higher limits of the store from the settings, without a restart:
// somebody stands at a full store. Everything else needs one.
func raise(ctx context.Context, log eventlog.Log, again func() (config.Settings, error), logger *slog.Logger) {
	s, err := again()
	if err == nil {
		if roomy, ok := log.(eventlog.Roomy); ok {
			ctx, cancel := context.WithTimeout(ctx, stopWithin)
			defer cancel()
			err = roomy.Raise(ctx, s.MaxBytes, s.MaxStore)
		}
	}
	if err != nil {
		logger.Error("the limits of the store were not raised", slog.Any("error", err))
		return
	}
	logger.Info("limits of the store read again", slog.Int64("max-bytes", s.MaxBytes), slog.Int64("max-store", s.MaxStore))
}

// startDemo seeds the invented scenario through the daemon's own API and keeps it
// alive until ctx ends.
func startDemo(ctx context.Context, daemon *app.App, parts app.Parts, extra *sync.WaitGroup, stdout io.Writer, logger *slog.Logger) error {
	say := func(what string) { _, _ = fmt.Fprintln(stdout, "demo:", what) }
	now := func() time.Time { return parts.Clock.Now().Time() }
	if err := demo.Seed(ctx, daemon.Conn(), now(), say); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	extra.Go(func() {
		if err := demo.Live(ctx, daemon.Conn(), now); err != nil && ctx.Err() == nil {
			logger.Error("the demo stopped moving", slog.Any("error", err))
		}
	})
	return nil
}

// listen takes the address, or a free port of the same host when its port 8080,
// which many programs want, is taken. The demo never leaves the loopback.
func listen(address string, demo bool) (net.Listener, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("listen: %q is no address; write it as 127.0.0.1:8080: %w", address, err)
	}
	if demo {
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return nil, fmt.Errorf("listen: the demo shows invented data to anybody and stays on the loopback; %s is not", host)
		}
	}
	l, err := net.Listen("tcp", address)
	if err != nil && errors.Is(err, syscall.EADDRINUSE) && port == "8080" {
		l, err = net.Listen("tcp", net.JoinHostPort(host, "0"))
	}
	if err != nil {
		return nil, fmt.Errorf("listen: %w; give another address with --listen", err)
	}
	return l, nil
}

// errInUse: another process holds the data folder.
var errInUse = errors.New("in use by another custodyd")

// lock keeps a second daemon off the data folder. The system gives the lock back
// when the process ends, however it ends.
func lock(dir string) (func(), error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("data: %w", err)
	}
	f, err := os.OpenFile(dir+"/lock", os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("data: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil { //nolint:gosec // a file descriptor
		_ = f.Close()
		return nil, fmt.Errorf("data: %s is %w; stop it first, or give another --data", dir, errInUse)
	}
	return func() { _ = f.Close() }, nil
}

func newLogger(level string, w io.Writer) *slog.Logger {
	var l slog.Level
	_ = l.UnmarshalText([]byte(strings.ToUpper(level))) // checked with the settings
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: l}))
}
