package main

import (
	"context"
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
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+net.JoinHostPort(host, port)+"/readyz", nil)
	if err != nil {
		return wrongUsage{err}
	}
	// Not by way of a proxy: it would ask the proxy's machine.
	client := http.Client{Transport: &http.Transport{}}
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("no daemon answers: %w", err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		_, _ = io.Copy(stderr, io.LimitReader(resp.Body, 64<<10))
		return errToDo
	}
	return nil
}
