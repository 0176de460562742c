package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"specimen.example/custody/internal/config"
)

// askWithin bounds the question to a running daemon; its own checks take 2 s at most.
const askWithin = 4 * time.Second

// healthy asks the daemon that runs with these settings whether it may get scans,
// for places without another program to ask, such as an image with nothing else in
// it. What is wrong is written to stderr.
func healthy(ctx context.Context, s config.Settings, stderr io.Writer) int {
	host, port, err := net.SplitHostPort(s.Listen)
	if err != nil {
		_, _ = fmt.Fprintf(stderr, "custodyd: listen: %q is no address; write it as 127.0.0.1:8080\n", s.Listen)
		return exitUsage
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+net.JoinHostPort(host, port)+"/readyz", nil)
	if err != nil {
		_, _ = fmt.Fprintf(stderr, "custodyd: %v\n", err)
		return exitUsage
	}
	// Not by way of a proxy: it would ask the proxy's machine.
	client := http.Client{Transport: &http.Transport{}}
	resp, err := client.Do(req)
	if err != nil {
		_, _ = fmt.Fprintf(stderr, "custodyd: no daemon answers: %v\n", err)
		return exitFailed
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		_, _ = io.Copy(stderr, io.LimitReader(resp.Body, 64<<10))
		return exitFailed
	}
	return exitDone
}
