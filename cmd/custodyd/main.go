// Custodyd is the daemon: it keeps the log of specimens, judges them and serves
// scans, flags and pages on one address. See README.md for its options.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"specimen.example/custody/internal/config"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// Exit codes: 0 stopped as asked or done, 1 could not start, failed or something is to
// be done, 2 wrong usage.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// run is main without the process: tests call it with their own streams.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	if code, ok := runCommand(ctx, args, stdout, stderr); ok {
		return code
	}
	settings, err := parse(args, stderr)
	switch {
	case errors.Is(err, flag.ErrHelp):
		return exitDone
	case err != nil:
		_, _ = fmt.Fprintf(stderr, "custodyd: %v\n", err)
		return exitUsage
	}
	if err := serve(ctx, settings, func() (config.Settings, error) { return parse(args, stderr) }, stdout, stderr); err != nil {
		_, _ = fmt.Fprintf(stderr, "custodyd: %v\n", err)
		return exitFailed
	}
	return exitDone
}
