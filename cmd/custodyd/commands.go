package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
)

// command is what the engineer does with a log beside running it.
type command struct {
	name  string
	short string // one line of the daemon's help
	run   func(ctx context.Context, args []string, stdout, stderr io.Writer) error
}

var commands []command

func init() {
	// In init, since the commands' help lists the commands.
	commands = []command{
		{"healthy", "ask the running daemon whether it may get scans", runHealthy},
		{"set-up", "print a link by which an engineer comes in, when nobody can", runSetUp},
		{"backup", "copy the log into a new folder, while it runs or stopped", runBackup},
		{"restore", "make a store out of a backup and read it back", runRestore},
		{"doctor", "say what is in order and what to do", runDoctor},
		{"volume", "list, open, close, archive and remove periods of the log", runVolume},
	}
}

// wrongUsage is an error that ends with the exit code for wrong usage.
type wrongUsage struct{ error }

func usage(format string, args ...any) error { return wrongUsage{fmt.Errorf(format, args...)} }

// errToDo ends a command whose findings are printed already: there is something to do.
var errToDo = errors.New("there is something to do")

// runCommand runs the command that args name; ok is false when they name none.
func runCommand(ctx context.Context, args []string, stdout, stderr io.Writer) (code int, ok bool) {
	if len(args) == 0 {
		return 0, false
	}
	for _, c := range commands {
		if c.name != args[0] {
			continue
		}
		err := c.run(ctx, args[1:], stdout, stderr)
		var wrong wrongUsage
		switch {
		case err == nil, errors.Is(err, flag.ErrHelp):
			return exitDone, true
		case errors.As(err, &wrong):
			_, _ = fmt.Fprintf(stderr, "custodyd %s: %v; see custodyd %s --help\n", c.name, err, c.name)
			return exitUsage, true
		case !errors.Is(err, errToDo):
			// Errors of the log begin with what it was doing, which is the command's name.
			_, _ = fmt.Fprintf(stderr, "custodyd %s: %s\n", c.name, strings.TrimPrefix(err.Error(), c.name+": "))
		}
		return exitFailed, true
	}
	return 0, false
}

// parseCommand parses args by fs, whose help begins with about. Nothing may be left over.
func (fs *options) parseCommand(args []string, about string) error {
	fs.Usage = func() {
		_, _ = fmt.Fprintln(fs.Output(), about)
		fs.PrintDefaults()
	}
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return wrongUsage{err}
	}
	if fs.NArg() > 0 {
		return usage("%q is not an option", fs.Arg(0))
	}
	return nil
}
