package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"specimen.example/custody/internal/config"
	"specimen.example/custody/internal/eventlog"
)

const aboutDoctor = `custodyd doctor looks at a log and says what is in order and what to do: streams and their
settings, copies, what isn't read yet, clock, disk, secret, certificate, receivers, memory, backup. It
asks the daemon that runs on --data, opens a stopped store, or looks at a cluster with --nats.

It ends with 0 when nothing is to be done, with 1 otherwise. "unknown" is not to be done
here: it can't be seen from here, and the words say where to look.

Options:`

// How a check came out.
const (
	isOK      = "ok"
	isToDo    = "to do"
	isUnknown = "unknown"
)

// check is one finding of doctor.
type check struct {
	Check  string `json:"check"`
	State  string `json:"state"` // ok, to do, unknown
	Found  string `json:"found"`
	Wanted string `json:"wanted,omitempty"`
	Remedy string `json:"remedy,omitempty"`
}

// ward is everything that the checks judge; it is gathered first, so that judging
// needs no clock, disk or network.
type ward struct {
	settings   config.Settings
	inspection eventlog.Inspection
	running    *running // nil: no daemon was asked
	later      *running // the same a moment later, when it had not read everything
	cluster    bool     // looked at by --nats

	machine   machine
	folder    os.FileMode // of the data folder; 0: not looked at
	secretIs  os.FileMode // of index.key or the key file; 0: there is none
	secret    string      // its path
	receivers error       // what of their settings doesn't hold
	readable  []string    // files with their secrets that others may read
	ends      time.Time   // of the house's certificate; zero: it can't be read
	backup    *lastBackup
	backupAge time.Duration // wanted at most; 0: not wanted
	now       time.Time
	limit     int64 // memory limit of the daemon, or of the next one; 0: none
}

// Limits of doctor, common practice, no source: a store wants to be looked after
// before it is full, and scans are judged by the minute.
const (
	fullFrom     = 80 // per cent
	clockWithin  = 1000
	memoryAtMost = 80 // per cent of the machine's
	moment       = 2 * time.Second
)

func runDoctor(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newOptions("custodyd doctor", stderr)
	asJSON := fs.Bool("json", false, "print the findings as one JSON object")
	age := fs.Duration("backup-age", 48*time.Hour, "`AGE` that the last backup may have; 0 asks for none")
	if err := fs.parseCommand(args, aboutDoctor); err != nil {
		return err
	}
	s, err := fs.settings()
	if err != nil {
		return wrongUsage{err}
	}
	log, err := reach(ctx, s)
	if err != nil {
		return err
	}
	defer log.close()
	w, err := look(ctx, s, log)
	if err != nil {
		return err
	}
	w.backupAge = *age
	checks := w.checks()
	toDo := false
	for _, c := range checks {
		toDo = toDo || c.State == isToDo
	}
	if *asJSON {
		text, err := json.MarshalIndent(map[string]any{"ok": !toDo, "checks": checks}, "", "  ")
		if err != nil {
			return err
		}
		_, _ = fmt.Fprintf(stdout, "%s\n", text)
	} else {
		for _, c := range checks {
			_, _ = fmt.Fprintf(stdout, "%-8s %-12s %s", c.State, c.Check, c.Found)
			if c.State != isOK && c.Wanted != "" {
				_, _ = fmt.Fprintf(stdout, "; wanted: %s", c.Wanted)
			}
			if c.State != isOK && c.Remedy != "" {
				_, _ = fmt.Fprintf(stdout, "; do: %s", c.Remedy)
			}
			_, _ = fmt.Fprintln(stdout)
		}
	}
	if toDo {
		return errToDo
	}
	return nil
}

// look gathers what the checks judge.
func look(ctx context.Context, s config.Settings, log *reached) (*ward, error) {
	w := &ward{settings: s, cluster: s.NATS != "", now: time.Now()}
	if log.remote != nil {
		st, err := log.remote.state(ctx)
		if err != nil {
			return nil, err
		}
		w.inspection, w.running, w.limit = st.Inspection, &st.Running, st.Running.MemoryLimit
		if !st.Running.Read.Reached(st.Running.End) {
			select {
			case <-time.After(moment):
			case <-ctx.Done():
				return nil, ctx.Err()
			}
			again, err := log.remote.state(ctx)
			if err != nil {
				return nil, err
			}
			w.later = &again.Running
		}
	} else {
		in, err := log.Inspect(ctx)
		if err != nil {
			return nil, err
		}
		w.inspection, w.limit = in, s.MemoryLimit
		if os.Getenv("GOMEMLIMIT") != "" {
			if w.limit = debug.SetMemoryLimit(-1); w.limit == math.MaxInt64 {
				w.limit = 0
			}
		}
	}
	w.machine = lookAtMachine(s.Data)
	if w.cluster {
		w.machine.disk = nil // the store is on other machines
	} else {
		info, err := os.Stat(s.Data)
		if err != nil {
			return nil, err
		}
		w.folder = info.Mode()
		if w.backup, err = readLastBackup(s.Data); err != nil {
			return nil, err
		}
	}
	w.secret = s.KeyFile
	if w.secret == "" && !w.cluster {
		w.secret = filepath.Join(s.Data, indexKey)
	}
	if info, err := os.Stat(w.secret); err == nil {
		w.secretIs = info.Mode()
	}
	w.ends = endOf(s.TLSCert)
	w.lookAtReceivers(s)
	return w, nil
}

func readLastBackup(data string) (*lastBackup, error) {
	text, err := os.ReadFile(filepath.Join(data, lastBackupFile))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil //nolint:nilnil // none is an answer
	}
	if err != nil {
		return nil, err
	}
	b := &lastBackup{}
	if err := json.Unmarshal(text, b); err != nil {
		return nil, fmt.Errorf("%s is damaged; remove it and make a backup: %w", lastBackupFile, err)
	}
	return b, nil
}

// checks judges everything, in the order in which it is printed.
func (w *ward) checks() []check {
	var out []check
	for _, f := range []func() []check{
		w.daemon, w.streams, w.settingsOf, w.facts, w.volumes, w.copies, w.read, w.unreadable, w.clock, w.room, w.disk, w.secrets, w.certificate, w.outsideChecks, w.memory, w.backups,
	} {
		out = append(out, f()...)
	}
	return out
}

func one(name string, fine bool, found, wanted, remedy string) []check {
	state := isOK
	if !fine {
		state = isToDo
	}
	return []check{{name, state, found, wanted, remedy}}
}

func (w *ward) daemon() []check {
	const name = "daemon"
	switch {
	case w.cluster:
		return []check{{name, isUnknown, "daemons of a cluster can't be asked through its servers", "one that is ready", "look at /readyz of each, or run doctor with --data on its machine"}}
	case w.running == nil:
		return one(name, false, "none runs on this folder", "one that runs", "start it: custodyd --data "+w.settings.Data)
	}
	role := "follows"
	if w.running.Leading {
		role = "appends flags"
	}
	return one(name, w.running.Ready, fmt.Sprintf("runs since %s, writes %s, %s", w.running.Started.UTC().Format("2006-01-02 15:04Z"), w.inspection.Writes, role),
		"one that has read the log", "wait: it reads the log; scans are not taken yet")
}

func (w *ward) streams() []check {
	const name = "streams"
	if len(w.inspection.Missing) > 0 {
		return one(name, false, "missing: "+strings.Join(w.inspection.Missing, ", "), "every stream that was there",
			"give the right --key-file; if it is right, restore a backup into an empty folder. A missing stream is never made anew")
	}
	if len(w.inspection.Streams) == 0 {
		return one(name, false, "there are none", "streams of a volume", "start custodyd once, or look whether this is the right cluster and account")
	}
	found := make([]string, len(w.inspection.Streams))
	for i, s := range w.inspection.Streams {
		found[i] = s.Name
	}
	if u := w.inspection.Unknown; len(u) > 0 && w.inspection.Embedded {
		return one(name, false, "not ours: "+strings.Join(u, ", "), "no others in the embedded store", "find out who made them; a backup leaves them out")
	}
	return one(name, true, strings.Join(found, ", "), "", "")
}

func (w *ward) settingsOf() []check {
	var out []check
	for _, s := range w.inspection.Streams {
		if len(s.Losing) > 0 {
			out = append(out, one("settings", false, s.Name+": "+strings.Join(s.Losing, "; "), "settings under which no fact can go",
				"set the stream back as the operator's user, and find out who changed it: facts may be gone already")...)
		}
	}
	if out == nil {
		return one("settings", true, "no stream can lose a fact by its settings", "", "")
	}
	return out
}

// facts looks for facts that are gone: a stream that denies deletion has no holes.
func (w *ward) facts() []check {
	var out []check
	for _, s := range w.inspection.Streams {
		if !s.Facts() || s.Messages == 0 && s.Last < s.First {
			continue
		}
		if gone := s.Last + 1 - s.First - s.Messages; s.Last > 0 && gone > 0 || s.Lost > 0 {
			out = append(out, one("facts", false, fmt.Sprintf("%s: %d messages between %d and %d are gone, %d lost by the server to damaged files", s.Name, gone, s.First, s.Last, s.Lost),
				"none gone", "stop custodyd, keep the folder as it is, restore the last good backup into another one and compare")...)
		}
	}
	if out == nil {
		return one("facts", true, "no sequence is missing", "", "")
	}
	return out
}

func (w *ward) volumes() []check {
	writes := w.inspection.Writes
	if writes == "" {
		writes = w.settings.Volume
	}
	var other []string
	for _, v := range w.inspection.Volumes() {
		if v.Name == writes && v.Closed {
			return one("volumes", false, writes+" is written to and closed", "an open volume", "start custodyd with --volume and a new name")
		}
		if v.Name != writes && !v.Closed && v.Facts+v.Readings > 0 {
			other = append(other, v.Name)
		}
	}
	if len(other) > 0 {
		return one("volumes", false, "open beside "+writes+": "+strings.Join(other, ", "), "one open volume: the daemon knows only the tubes of its own",
			"when no tube of it is under way: custodyd volume close, then archive")
	}
	return one("volumes", true, writes+" is written to", "", "")
}

func (w *ward) copies() []check {
	const name = "copies"
	if w.inspection.Embedded {
		return one(name, true, "one, in the data folder; a backup is the only other", "", "")
	}
	var out []check
	for _, s := range w.inspection.Streams {
		var bad []string
		if have := len(s.Peers) + 1; have < s.Replicas {
			bad = append(bad, fmt.Sprintf("%d of %d copies", have, s.Replicas))
		}
		if s.Leader == "" && s.Replicas > 1 {
			bad = append(bad, "no leader")
		}
		if s.Facts() && s.Replicas < 3 {
			bad = append(bad, fmt.Sprintf("set to %d copies", s.Replicas))
		}
		for _, p := range s.Peers {
			switch {
			case p.Offline:
				bad = append(bad, p.Name+" is offline")
			case !p.Current:
				bad = append(bad, fmt.Sprintf("%s is %d behind", p.Name, p.Lag))
			}
		}
		if len(bad) > 0 {
			out = append(out, one(name, false, s.Name+": "+strings.Join(bad, ", "), "three copies, all current",
				"start the servers that are away and look at their logs; one away is survived, two stop all writing")...)
		}
	}
	if out == nil {
		return one(name, true, "all there and current", "", "")
	}
	return out
}

func (w *ward) read() []check {
	const name = "read"
	r := w.running
	if r == nil {
		return []check{{name, isUnknown, "no daemon was asked", "everything read", "run doctor with --data while custodyd runs"}}
	}
	if w.later != nil && !w.later.Read.Reached(r.End) {
		return one(name, false, fmt.Sprintf("read up to %d and %d of %d and %d after %s", w.later.Read.Custody, w.later.Read.Readings, r.End.Custody, r.End.Readings, moment),
			"the end that was there", "if it has just started, wait; else look at the processor and at the log file")
	}
	return one(name, true, fmt.Sprintf("up to the end: %d decisions, %d runs of readings", r.End.Custody, r.End.Readings), "", "")
}

func (w *ward) unreadable() []check {
	const name = "unreadable"
	if w.running == nil {
		return []check{{name, isUnknown, "no daemon was asked", "none", "run doctor with --data while custodyd runs"}}
	}
	var out []check
	for _, u := range w.running.Unread {
		out = append(out, one(name, false, fmt.Sprintf("%s %d on %s: %s", u.Stream, u.Seq, u.Subject, u.Why), "none",
			"a newer custodyd may have written it: run the newest; else call who maintains the program. Its tube says \"cannot say\"")...)
	}
	if out == nil {
		return one(name, true, "no message", "", "")
	}
	return out
}

func (w *ward) clock() []check {
	const name = "clock"
	var out []check
	for _, c := range w.inspection.Clocks {
		off := max(c.AheadMs, -c.AheadMs)
		if off-c.WithinMs > clockWithin {
			out = append(out, one(name, false, fmt.Sprintf("the server %s is %d ms ahead of this machine, give or take %d", c.Server, c.AheadMs, c.WithinMs),
				"at most 1 s apart", "run a time service on both machines; recorded times are this machine's")...)
		}
	}
	k := w.machine.clock
	switch {
	case k == nil:
		out = append(out, check{name, isUnknown, "this system doesn't tell how its clock is kept", "kept by a time service", "compare it with another clock"})
	case !k.kept:
		out = append(out, check{name, isUnknown, "the system knows of no time service that keeps the clock, so nobody can say how far it is off", "kept by a time service",
			"run one, unless the machine below keeps this one's clock"})
	case k.errorMs > clockWithin:
		out = append(out, one(name, false, fmt.Sprintf("kept by a time service, with a possible error of %d ms", k.errorMs), "at most 1 s", "look whether the time service reaches its servers")...)
	default:
		out = append(out, one(name, true, fmt.Sprintf("kept by a time service, within %d ms", k.errorMs), "", "")...)
	}
	if len(w.inspection.Clocks) > 0 && len(out) == 1 {
		out[0].Found += "; the servers' clocks agree with it"
	}
	return out
}

// room looks at the limits of the store and of its streams.
func (w *ward) room() []check {
	const name = "room"
	var out []check
	full := func(what string, used uint64, limit int64, key string) {
		if limit <= 0 || used < uint64(limit)/100*fullFrom {
			return
		}
		out = append(out, one(name, false, fmt.Sprintf("%s uses %s of %s", what, inBytes(used), inBytes(uint64(limit))), fmt.Sprintf("below %d %%", fullFrom),
			"raise "+key+" in the settings and start again, if the disk has room; full, every scan is answered not-saved")...)
	}
	full("the store", w.inspection.StoreBytes, w.inspection.StoreLimit, "max-store")
	for _, s := range w.inspection.Streams {
		if s.Name == "LEASE" || s.Closed {
			continue
		}
		full(s.Name, s.Bytes, s.MaxBytes, "max-bytes")
	}
	if out == nil {
		return one(name, true, "the streams use "+inBytes(w.inspection.StoreBytes), "", "")
	}
	return out
}

// disk wants the store's own limit to be reached before the disk is full: a full
// store answers, a full disk hangs.
func (w *ward) disk() []check {
	const name = "disk"
	d := w.machine.disk
	if d == nil {
		return []check{{name, isUnknown, "the store's disk can't be seen from here", "room for the store up to its limit", "look at the disk of each server"}}
	}
	need := uint64(max(w.inspection.StoreLimit, 0))
	need -= min(need, w.inspection.StoreBytes)
	need += d.total / 20 // a file system that is nearly full is slow
	return one(name, d.free >= need, fmt.Sprintf("%s free of %s", inBytes(d.free), inBytes(d.total)), inBytes(need)+" free, so that the store's limit is reached before the disk is full",
		"lower max-store, or give the store a larger disk")
}

func (w *ward) secrets() []check {
	const name = "secret"
	switch {
	case w.secret == "":
		return one(name, false, "no key file was given", "the key file of this cluster's daemons", "give --key-file, to see that it is there")
	case w.secretIs == 0:
		remedy := "give the key file with --key-file if the store was made with one; else restore it from a backup. Without it the store can't be used"
		return one(name, false, w.secret+" is missing", "the secret of the index of patient numbers", remedy)
	case w.secretIs.Perm()&0o077 != 0:
		return one(name, false, fmt.Sprintf("%s may be read by others (mode %04o)", w.secret, w.secretIs.Perm()), "mode 0600", "chmod 600 "+w.secret)
	case w.folder.Perm()&0o077 != 0:
		return one(name, false, fmt.Sprintf("the data folder is open to others (mode %04o)", w.folder.Perm()), "mode 0700", "chmod 700 "+w.settings.Data)
	}
	return one(name, true, w.secret+" is there, for its owner only", "", "")
}

func (w *ward) memory() []check {
	const name = "memory"
	m := w.machine.memory
	switch {
	case w.cluster:
		return []check{{name, isUnknown, "the daemons' limits can't be seen from here", "a limit below the machine's memory", "run doctor with --data on their machines"}}
	case w.limit <= 0:
		return one(name, false, "no limit", "a limit", "set memory-limit, or the variable GOMEMLIMIT: without one a large reading takes what there is")
	case m == 0:
		return []check{{name, isUnknown, "the limit is " + inBytes(uint64(w.limit)) + "; this system doesn't tell its memory", "less than the machine's memory", "compare them"}}
	}
	return one(name, uint64(w.limit) <= m/100*memoryAtMost, fmt.Sprintf("the limit is %s of %s", inBytes(uint64(w.limit)), inBytes(m)),
		fmt.Sprintf("at most %d %% of the machine's memory", memoryAtMost), "lower memory-limit, or give the machine more memory")
}

func (w *ward) backups() []check {
	const name = "backup"
	switch {
	case w.backupAge == 0:
		return nil
	case w.cluster:
		return []check{{name, isUnknown, "a cluster doesn't know of its backups", "one not older than " + w.backupAge.String(), "look where they are kept"}}
	case w.backup == nil:
		return one(name, false, "none is known of", "one not older than "+w.backupAge.String(), "custodyd backup --to FOLDER, on another disk; if backups are made in another way, --backup-age 0")
	}
	age := w.now.Sub(w.backup.Made)
	return one(name, age <= w.backupAge, fmt.Sprintf("the last was made %s, into %s", w.backup.Made.Format("2006-01-02 15:04Z"), w.backup.To), "one not older than "+w.backupAge.String(),
		"custodyd backup --to FOLDER, each day, on another disk")
}
