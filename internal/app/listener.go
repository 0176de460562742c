package app

import (
	"bytes"
	"context"
	"errors"
	"log"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"specimen.example/custody/internal/api"
)

// What one client may take of the server before it is known.
const (
	maxHeader = 64 << 10 // bytes of a request's headers
	// maxStreams is how many calls one HTTP/2 connection may have open: more than all
	// pages of a browser and the lanes of a device, and at least the 100 that RFC 9113,
	// 6.5.2 asks for.
	maxStreams = 250
	// How much of requests' bodies waits unread, of one call and of one connection, so
	// that calls which are held back (api.Paced) don't hold up the others beside them.
	maxUnread     = 256 << 10
	maxUnreadConn = 4<<20 - 1 // the most that net/http takes
)

// newHTTP is the server of the listener: gRPC and everything else on one port. In the
// clear HTTP/2 is taken from whoever begins with it, which gRPC does.
func (a *App) newHTTP(run context.Context, rest http.Handler) *http.Server {
	protocols := &http.Protocols{}
	protocols.SetHTTP1(true)
	protocols.SetHTTP2(a.parts.TLS != nil)
	protocols.SetUnencryptedHTTP2(a.parts.TLS == nil)
	return &http.Server{
		// The time for headers is also the time for a handshake.
		Protocols: protocols, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: maxHeader, HTTP2: &http.HTTP2Config{
			MaxConcurrentStreams: maxStreams, MaxReceiveBufferPerStream: maxUnread, MaxReceiveBufferPerConnection: maxUnreadConn,
		},
		TLSConfig:   a.parts.TLS,
		ErrorLog:    log.New(serverLog{a.parts.Logger}, "", 0),
		BaseContext: func(net.Listener) context.Context { return run },
		Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.ProtoMajor == 2 && strings.HasPrefix(r.Header.Get("Content-Type"), "application/grpc") {
				api.FromNetwork(r)
				a.grpc.ServeHTTP(w, api.Paced(r))
				return
			}
			rest.ServeHTTP(w, r)
		}),
	}
}

// accept serves the listener until the server is shut down.
func (a *App) accept() error {
	serve := a.http.Serve
	if a.parts.TLS != nil {
		serve = func(l net.Listener) error { return a.http.ServeTLS(l, "", "") }
	}
	if err := serve(a.parts.Listener); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// serverLog takes what the HTTP server says. A handshake that fails is the trouble of
// whoever came: anybody on the network could fill the log with it.
type serverLog struct{ logger *slog.Logger }

func (l serverLog) Write(line []byte) (int, error) {
	level := slog.LevelWarn
	if bytes.HasPrefix(line, []byte("http: TLS handshake error")) {
		level = slog.LevelDebug
	}
	l.logger.Log(context.Background(), level, strings.TrimSpace(string(line)))
	return len(line), nil
}
