package main

import (
	"context"
	"fmt"
	"io"

	"specimen.example/custody/internal/eventlog"
)

const aboutRestore = `custodyd restore --from FOLDER --data FOLDER makes a store out of a backup, in an empty
folder. It checks every hash of the backup before it writes anything, writes each message
under the sequence it had, starts the store anew, reads everything back and compares it.
A backup that is sealed needs the --key-file of the store it was made of.

The keys that wrap the patients' keys (identity.keys) are in no backup: put their last
copy into the folder before the daemon starts. What a backup older than they are kept
holds of patients can't be opened any more.

Erase again who was erased after the backup was made: it brought their keys back.

Options:`

func runRestore(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newOptions("custodyd restore", stderr)
	from := fs.String("from", "", "`FOLDER` of the backup")
	if err := fs.parseCommand(args, aboutRestore); err != nil {
		return err
	}
	s, err := fs.settings()
	switch {
	case err != nil:
		return wrongUsage{err}
	case *from == "":
		return usage("say which backup: --from FOLDER")
	case s.NATS != "":
		return usage("nats: a backup is restored into a data folder; a cluster can't be restored into yet")
	}
	key, err := s.Key()
	if err != nil {
		return err
	}
	if err := eventlog.CheckEmpty(s.Data); err != nil {
		return err
	}
	unlock, err := lock(s.Data)
	if err != nil {
		return err
	}
	defer unlock()
	m, err := eventlog.Restore(ctx, eventlog.RestoreOptions{
		From: *from, Dir: s.Data, Key: key, MaxStore: s.MaxStore, Progress: func(what string) { _, _ = fmt.Fprintln(stderr, what) },
	})
	if err != nil {
		return err
	}
	for _, line := range m.Counts() {
		_, _ = fmt.Fprintln(stdout, line)
	}
	for _, what := range m.Lacks() {
		_, _ = fmt.Fprintln(stderr, "facts were missing when the backup was made:", what)
	}
	if !m.Keys && m.Archive == "" {
		_, _ = fmt.Fprintln(stderr, "the backup held no patients' keys: every returning patient is a new one, and free text can't be read")
	}
	if m.Keys {
		_, _ = fmt.Fprintf(stderr, "put the last copy of identity.keys into %s before the start; it is in no backup, and without it no name and no free text can be read\n", s.Data)
	}
	volume := m.Volumes[len(m.Volumes)-1]
	_, _ = fmt.Fprintf(stdout, "restored from a backup of %s, read back and compared; start it with: custodyd --data %s --volume %s%s\n",
		m.Made.Format("2006-01-02 15:04:05Z"), s.Data, volume, keyOption(s.KeyFile))
	return nil
}

func keyOption(file string) string {
	if file == "" {
		return ""
	}
	return " --key-file " + file
}
