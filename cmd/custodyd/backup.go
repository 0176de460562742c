package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/config"
	"specimen.example/custody/internal/eventlog"
)

const aboutBackup = `custodyd backup --to FOLDER copies the log into a new folder. It works while the daemon
runs on --data (nothing is held up), on a stopped one, and on a cluster with --nats.

In it are the decisions and readings of every volume, the patients' keys, and what the
log can't be used without: without a key file the secret of the index of patient numbers
(index.key, in the clear, mode 0600). With --key-file the whole backup is sealed with
the key file; the key file itself is not in it, keep it elsewhere.

Not in it is identity.keys, which wraps the patients' keys and changes every 15 days, so
that a backup older than 30 days opens no name: copy it elsewhere, over its last copy.

The patients' keys (KEYS) tell which reference belongs to a returning patient and open
free text. A backup that holds them brings back the key of a patient who was erased
after it was made: keep backups no longer than erasing may take, and erase again after
a restore. --keys=leave-out leaves them out: a log restored from that takes every
returning patient for a new one, and its free text can't be read.

Options:`

// backupOf makes a backup of a whole log or, with volume, an archive.
func backupOf(ctx context.Context, s config.Settings, log *reached, to, volume string, keys bool, stderr io.Writer) (eventlog.Manifest, error) {
	files, err := filesOf(ctx, s, log)
	if err != nil {
		return eventlog.Manifest{}, err
	}
	return eventlog.Backup(ctx, log, eventlog.BackupOptions{
		To: filepath.Clean(to), Volume: volume, Keys: keys, Key: log.key, Files: files, Now: time.Now(),
		Progress: func(what string) { _, _ = fmt.Fprintln(stderr, what) },
	})
}

// indexKey is the file in which app.Secret keeps the secret of a store without a
// key file; removedFile names the volumes that were removed.
const (
	indexKey    = "index.key"
	removedFile = "removed.json"
)

// filesOf gives the files of the data folder that a backup needs, and makes sure that
// the key file is the one the log was made with: a backup sealed with another would
// restore into a log that knows no patient.
func filesOf(ctx context.Context, s config.Settings, log *reached) (map[string][]byte, error) {
	files := map[string][]byte{}
	var secret []byte
	_, err := os.Stat(filepath.Join(s.Data, indexKey))
	switch {
	case err == nil && s.NATS == "" || log.key != "":
		if secret, err = app.Secret(dataOf(s), log.key); err != nil {
			return nil, err
		}
	case s.NATS != "":
		return nil, errors.New("key-file: with an external cluster give one: patient numbers are indexed under it, and the backup is sealed with it")
	default:
		return nil, fmt.Errorf("key-file: %s has no %s, so its store was made with a key file; give it: the backup is sealed with it", s.Data, indexKey)
	}
	if log.remote != nil {
		st, err := log.remote.state(ctx)
		if err != nil {
			return nil, err
		}
		if st.Running.SecretCheck != secretCheck(secret) {
			return nil, errors.New("key-file: the running daemon was started with another one; give the same")
		}
	}
	if log.key == "" {
		files[indexKey] = secret
	}
	if s.NATS != "" {
		return files, nil
	}
	removed, err := os.ReadFile(filepath.Join(s.Data, removedFile))
	if err == nil {
		files[removedFile] = removed
	} else if !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	return files, nil
}

// dataOf is the folder that app.Secret looks into; a cluster has none.
func dataOf(s config.Settings) string {
	if s.NATS != "" {
		return ""
	}
	return s.Data
}

func runBackup(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newOptions("custodyd backup", stderr)
	to := fs.String("to", "", "`FOLDER` to make; it must not exist")
	keys := fs.String("keys", "include", "include or leave-out: the patients' keys")
	if err := fs.parseCommand(args, aboutBackup); err != nil {
		return err
	}
	s, err := fs.settings()
	switch {
	case err != nil:
		return wrongUsage{err}
	case *to == "":
		return usage("say where to: --to FOLDER")
	case *keys != "include" && *keys != "leave-out":
		return usage("keys: %q must be include or leave-out", *keys)
	}
	log, err := reach(ctx, s)
	if err != nil {
		return err
	}
	defer log.close()
	m, err := backupOf(ctx, s, log, *to, "", *keys == "include", stderr)
	if err != nil {
		return err
	}
	if s.NATS == "" {
		if err := rememberBackup(s.Data, *to, m.Made); err != nil {
			return fmt.Errorf("the backup %s is complete, but the data folder can't be told of it: %w", *to, err)
		}
	}
	for _, line := range m.Counts() {
		_, _ = fmt.Fprintln(stdout, line)
	}
	if m.Keys {
		_, _ = fmt.Fprintln(stderr, "it holds the patients' keys: it brings back who is erased from now on; keep it no longer than erasing may take")
	} else {
		_, _ = fmt.Fprintln(stderr, "it does not hold the patients' keys: restored, it knows no returning patient and opens no free text")
	}
	if m.Seal == nil {
		_, _ = fmt.Fprintln(stderr, "it is not encrypted and holds index.key: keep it where nobody else can read it")
	} else {
		_, _ = fmt.Fprintln(stderr, "it is sealed with the key file, which is not in it: keep the key file elsewhere, for ever")
	}
	for _, name := range m.LeftOut {
		_, _ = fmt.Fprintf(stderr, "left out: %s\n", name)
	}
	if lacks := m.Lacks(); len(lacks) > 0 {
		for _, what := range lacks {
			_, _ = fmt.Fprintln(stderr, "facts are missing in the log itself:", what)
		}
		_, _ = fmt.Fprintln(stderr, "the backup is complete as far as the log is; keep an older one, and run custodyd doctor")
		return errToDo
	}
	return nil
}

// lastBackup is what the data folder knows of its last backup, for doctor.
type lastBackup struct {
	Made time.Time `json:"made"`
	To   string    `json:"to"`
}

const lastBackupFile = "last-backup.json"

func rememberBackup(data, to string, made time.Time) error {
	abs, err := filepath.Abs(to)
	if err != nil {
		return err
	}
	text, err := json.Marshal(lastBackup{made, abs})
	if err != nil {
		return err
	}
	return eventlog.WriteDurably(filepath.Join(data, lastBackupFile), text)
}
