package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"
)

// askWithin bounds the question to a running daemon; its own checks take 2 s at most.
const askWithin = 4 * time.Second

const aboutHealthy = `custodyd healthy asks the daemon that runs with these settings whether it may get scans, for
places without another program to ask, such as an image with nothing else in it. It ends
with 0 when it is ready; else with 1, and says what is wrong.

Options:`

func runHealthy(ctx context.Context, args []string, _, stderr io.Writer) error {
	fs := newOptions("custodyd healthy", stderr)
	fs.daemonOptions()
	if err := fs.parseCommand(args, aboutHealthy); err != nil {
		return err
	}
	s, err := fs.settings()
	if err != nil {
		return wrongUsage{err}
	}
	host, port, err := net.SplitHostPort(s.Listen)
	if err != nil {
		return usage("listen: %q is no address; write it as 127.0.0.1:8080", s.Listen)
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	// Whether it speaks TLS is found out: in an image the question is put with fewer
	// settings than the daemon has. A daemon that does says so to plain HTTP.
	status, said, err := askReady(ctx, "http://"+net.JoinHostPort(host, port))
	if err == nil && status == http.StatusBadRequest {
		status, said, err = askReady(ctx, "https://"+net.JoinHostPort(host, port))
	}
	switch {
	case err != nil:
		return fmt.Errorf("no daemon answers: %w", err)
	case status != http.StatusOK:
		_, _ = stderr.Write(said)
		return errToDo
	}
	return nil
}

// askReady gives the answer of /readyz.
//
// The certificate's names and signer are not checked. The question goes to an address
// of this machine, so nobody on the network can answer it; it carries no secret; and
// the house's certificate names what people type, not 127.0.0.1, while the file of one
// that was made here can be read by the daemon's user alone. Its dates are checked:
// past them no client gets a scan in.
func askReady(ctx context.Context, address string) (status int, said []byte, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address+"/readyz", nil)
	if err != nil {
		return 0, nil, err
	}
	// Not by way of a proxy: it would ask the proxy's machine.
	client := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{
		MinVersion:         tls.VersionTLS12,
		InsecureSkipVerify: true, //nolint:gosec // see above
		VerifyConnection: func(c tls.ConnectionState) error {
			leaf, now := c.PeerCertificates[0], time.Now()
			if now.Before(leaf.NotBefore) || now.After(leaf.NotAfter) {
				return fmt.Errorf("its certificate holds from %s until %s, and clients refuse it; put another into tls-cert and tls-key, or set the clock",
					leaf.NotBefore.UTC().Format(time.RFC3339), leaf.NotAfter.UTC().Format(time.RFC3339))
			}
			return nil
		},
	}}}
	defer client.CloseIdleConnections()
	resp, err := client.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer func() { _ = resp.Body.Close() }()
	said, err = io.ReadAll(io.LimitReader(resp.Body, 64<<10))
	return resp.StatusCode, said, err
}
