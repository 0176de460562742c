// Command scan records scans, asks what is known of tubes and boxes, checks and
// adopts limits and plays stories, from a terminal or a script. It speaks to a
// custodyd over gRPC, on the same address that serves the pages.
//
// Exit codes: 0 done, 1 refused or an expectation failed, 2 the command line is
// wrong, 3 not saved or the server can't be reached.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the whole program; it gives the exit code.
func run(ctx context.Context, args []string, in io.Reader, out, errs io.Writer) int {
	t := &tool{in: in, out: out, errs: errs}
	root := t.command()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	t.close()
	return t.exit(err)
}
