package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
)

const aboutSetUp = `custodyd set-up asks the daemon that runs on a data folder for a link by which
somebody comes in as engineer, and prints it. It is good once. It is for the day on which
nobody who may let others in can sign in any more: whoever may read the data folder may
come in. That somebody did stands in the log.

Options:`

func runSetUp(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newOptions("custodyd set-up", stderr)
	if err := fs.parseCommand(args, aboutSetUp); err != nil {
		return err
	}
	s, err := fs.settings()
	if err != nil {
		return wrongUsage{err}
	}
	if _, err := os.Lstat(filepath.Join(s.Data, doorFile)); err != nil {
		return fmt.Errorf("no custodyd runs on %s; start it, or name its folder with --data", s.Data)
	}
	resp, err := newRemote(s.Data).call(ctx, http.MethodPost, "/operator/set-up", nil)
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	link, err := io.ReadAll(io.LimitReader(resp.Body, 4096))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(stdout, "whoever opens this link becomes an engineer; it is good once:\n  %s\n", link)
	return err
}
