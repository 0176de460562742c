package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"specimen.example/custody/internal/eventlog"
)

const aboutVolume = `A volume is a period of the log: its decisions and its readings.

  custodyd volume list                       which there are, and which is written
  custodyd volume open NAME --again NAME     begin one, while no daemon runs on the folder
  custodyd volume close NAME --again NAME    it takes nothing more; this can't be taken back
  custodyd volume archive NAME --to FOLDER   copy a closed volume into a new folder and read it back
  custodyd volume remove NAME --archive FOLDER --again NAME
                                             delete a closed volume whose archive is whole and the same

An archive is a backup of one volume without the patients' keys, so erasing a patient
reaches it too. custodyd restore makes a store out of it to look into. The volume that
is written can be neither closed nor removed.

The first volume is begun by the first start. A daemon knows only the tubes of the volume
it was started with (--volume NAME): open another only when no tube of the old one is
under way.

Options:`

func runVolume(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newOptions("custodyd volume", stderr)
	asJSON := fs.Bool("json", false, "list: one JSON line for each volume")
	to := fs.String("to", "", "archive: `FOLDER` to make; it must not exist")
	archive := fs.String("archive", "", "remove: `FOLDER` of the volume's archive")
	again := fs.String("again", "", "open, close, remove: the volume's `NAME` once more")
	var verb, name string
	for _, into := range []*string{&verb, &name} {
		if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
			*into, args = args[0], args[1:]
		}
	}
	if err := fs.parseCommand(args, aboutVolume); err != nil {
		return err
	}
	s, err := fs.settings()
	if err != nil {
		return wrongUsage{err}
	}
	if err := checkVolume(verb, name, *to, *archive, *again); err != nil {
		return err
	}
	log, err := reach(ctx, s)
	if err != nil {
		return err
	}
	defer log.close()
	in, err := log.Inspect(ctx)
	if err != nil {
		return err
	}
	// What a daemon would write by these settings is as good as written: a stopped
	// daemon starts again, and daemons of a cluster can't be asked.
	if in.Writes == "" && s.Volume == name && (verb == "close" || verb == "remove") {
		return fmt.Errorf("volume: by the settings %s is the volume that is written to; give the one that is written now with --volume", name)
	}
	switch verb {
	case "list":
		return listVolumes(&in, *asJSON, stdout)
	case "open":
		if err := log.OpenVolume(ctx, name); err != nil {
			return err
		}
		_, _ = fmt.Fprintf(stdout, "%s is open; start custodyd with --volume %s\n", name, name)
		return nil
	case "close":
		if err := log.CloseVolume(ctx, name); err != nil {
			return err
		}
		_, _ = fmt.Fprintf(stdout, "%s is closed: both its streams refused a write\n", name)
		return nil
	case "archive":
		return archiveVolume(ctx, log, &in, name, *to, func() (eventlog.Manifest, error) {
			return backupOf(ctx, s, log, *to, name, false, stderr)
		}, stdout, stderr)
	}
	m, err := eventlog.ReadBackup(*archive, log.key)
	if err != nil {
		return err
	}
	if m.Archive != name {
		return fmt.Errorf("volume: %s holds no archive of %s", *archive, name)
	}
	if err := eventlog.Compare(ctx, log, &m, func(what string) { _, _ = fmt.Fprintln(stderr, what) }); err != nil {
		return err
	}
	if err := log.RemoveVolume(ctx, name, &m); err != nil {
		return err
	}
	_, _ = fmt.Fprintf(stdout, "%s is removed; its archive is %s\n", name, *archive)
	return nil
}

// checkVolume refuses what can't be meant, before anything is opened.
func checkVolume(verb, name, to, archive, again string) error {
	switch {
	case verb == "":
		return usage("say what to do: list, open, close, archive or remove")
	case verb == "list":
		if name != "" {
			return usage("list takes no name")
		}
		return nil
	case verb != "open" && verb != "close" && verb != "archive" && verb != "remove":
		return usage("%q is not list, open, close, archive or remove", verb)
	case name == "":
		return usage("say which volume: custodyd volume %s NAME", verb)
	case verb == "archive" && to == "":
		return usage("say where to: --to FOLDER")
	case verb == "remove" && archive == "":
		return usage("give the volume's archive: --archive FOLDER; custodyd volume archive %s makes one", name)
	case verb != "archive" && again != name:
		return usage("%s can't be taken back: give the name once more, --again %s", verb, name)
	}
	return nil
}

func listVolumes(in *eventlog.Inspection, asJSON bool, stdout io.Writer) error {
	for _, v := range in.Volumes() {
		if asJSON {
			line, err := json.Marshal(v)
			if err != nil {
				return err
			}
			_, _ = fmt.Fprintf(stdout, "%s\n", line)
			continue
		}
		is := "open"
		if v.Closed {
			is = "closed"
		}
		if v.Writes {
			is = "written"
		}
		last := "nothing yet"
		if v.Updated != "" {
			last = "last " + v.Updated
		}
		_, _ = fmt.Fprintf(stdout, "%-12s %-8s %d decisions, %d runs of readings, %s, %s\n", v.Name, is, v.Facts, v.Readings, inBytes(v.Bytes), last)
	}
	return nil
}

// archiveVolume copies a closed volume and reads the copy back from the disk.
func archiveVolume(ctx context.Context, log *reached, in *eventlog.Inspection, name, to string, backup func() (eventlog.Manifest, error), stdout, stderr io.Writer) error {
	for _, v := range in.Volumes() {
		if v.Name == name && !v.Closed {
			return fmt.Errorf("volume: %s is open; close it first: custodyd volume close %s", name, name)
		}
	}
	if _, err := backup(); err != nil {
		return err
	}
	m, err := eventlog.ReadBackup(to, log.key)
	if err != nil {
		return err
	}
	if err := eventlog.Compare(ctx, log, &m, func(what string) { _, _ = fmt.Fprintln(stderr, what) }); err != nil {
		return err
	}
	for _, line := range m.Counts() {
		_, _ = fmt.Fprintln(stdout, line)
	}
	if lacks := m.Lacks(); len(lacks) > 0 {
		return errors.New("the archive is complete as far as the log is, but facts are missing in it: " + strings.Join(lacks, "; "))
	}
	_, _ = fmt.Fprintf(stdout, "%s is archived in %s, read back and compared\n", name, to)
	return nil
}

// inBytes says a size as people do, in powers of 1024.
func inBytes(n uint64) string {
	units := []string{"B", "KiB", "MiB", "GiB", "TiB"}
	i, f := 0, float64(n)
	for f >= 1024 && i < len(units)-1 {
		f /= 1024
		i++
	}
	if i == 0 {
		return fmt.Sprintf("%d B", n)
	}
	return fmt.Sprintf("%.1f %s", f, units[i])
}
