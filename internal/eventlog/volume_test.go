package eventlog_test

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
)

// says fails unless err has every word.
func says(t *testing.T, err error, words ...string) {
	t.Helper()
	if err == nil {
		t.Errorf("no error; want one that says %q", words)
		return
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q is not in: %v", w, err)
		}
	}
}

// opened begins a volume, as the engineer does, in a store that no daemon holds.
func opened(t *testing.T, o eventlog.Options) eventlog.Options {
	t.Helper()
	op, err := eventlog.OpenOperator(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer op.Close()
	if err := op.OpenVolume(t.Context(), o.Volume); err != nil {
		t.Fatal(err)
	}
	return o
}

// A volume is closed, archived and removed, in this order and no other; its archive
// can be looked into, and the volume is never begun anew.
func TestAVolumeIsClosedArchivedAndRemoved(t *testing.T) {
	dir := t.TempDir()
	old := filled(t, eventlog.Options{Dir: dir, Volume: "2025", MaxBytes: 1 << 30}, 5)
	says(t, operatorOf(t, old).CloseVolume(t.Context(), "2025"), "2025", "is written to")
	_ = old.Close()
	l := filled(t, opened(t, eventlog.Options{Dir: dir, Volume: "2026", MaxBytes: 1 << 30}), 3)
	op := operatorOf(t, l)
	archive := func(name, volume string) eventlog.Manifest {
		t.Helper()
		m, err := eventlog.Backup(t.Context(), op, eventlog.BackupOptions{To: filepath.Join(dir+"-out", name), Volume: volume, Keys: true, Now: made})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	if err := mkdir(dir + "-out"); err != nil {
		t.Fatal(err)
	}

	early := archive("early", "2025")
	if len(early.Streams) != 2 || early.Keys || early.Archive != "2025" || !reflect.DeepEqual(early.Volumes, []string{"2025"}) {
		t.Errorf("an archive holds one volume and no keys: %+v", early)
	}
	says(t, op.RemoveVolume(t.Context(), "2025", &early), "is open", "volume close 2025")
	says(t, op.CloseVolume(t.Context(), "2024"), "no volume", "2024", "volume list")
	says(t, op.CloseVolume(t.Context(), "2026"), "2026", "is written to")
	for range 2 { // the second finds it closed
		if err := op.CloseVolume(t.Context(), "2025"); err != nil {
			t.Fatal(err)
		}
	}
	in, err := op.Inspect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"2025 false true 10 1", "2026 true false 6 1"}
	var got []string
	for _, v := range in.Volumes() {
		got = append(got, fmt.Sprint(v.Name, " ", v.Writes, " ", v.Closed, " ", v.Facts, " ", v.Readings))
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if _, err := l.Append(t.Context(), logtest.Decision("TB9", "a"), 0); err != nil {
		t.Errorf("the other volume: %v", err)
	}

	says(t, op.RemoveVolume(t.Context(), "2025", &early), "made while", "archive the volume again")
	m := archive("late", "2025")
	says(t, op.RemoveVolume(t.Context(), "2026", &m), "is written to")
	other := m
	other.Archive = "2024"
	says(t, op.RemoveVolume(t.Context(), "2025", &other), `"2024"`)
	short := m
	short.Streams = append([]eventlog.StoredStream(nil), m.Streams...)
	short.Streams[0].Last--
	says(t, op.RemoveVolume(t.Context(), "2025", &short), "archive the volume again")
	if err := eventlog.Compare(t.Context(), op, &m, func(string) {}); err != nil {
		t.Error(err)
	}
	forged := m
	forged.Streams = append([]eventlog.StoredStream(nil), m.Streams...)
	forged.Streams[0].Chunks = []eventlog.Chunk{m.Streams[0].Chunks[0]}
	forged.Streams[0].Chunks[0].Content = strings.Repeat("0", 64)
	says(t, eventlog.Compare(t.Context(), op, &forged, func(string) {}), "CUSTODY_2025 differs", "1 to 10")
	if err := op.RemoveVolume(t.Context(), "2025", &m); err != nil {
		t.Fatal(err)
	}
	if in, err = op.Inspect(t.Context()); err != nil || len(in.Volumes()) != 1 || len(in.Missing) != 0 {
		t.Errorf("%+v, %v", in.Volumes(), err)
	}
	_ = l.Close()

	_, err = eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2025", BreakEven: 8})
	says(t, err, "2025", "archived and removed", "another --volume")
	open(t, eventlog.Options{Dir: dir, Volume: "2026", MaxBytes: 1 << 30})

	look := t.TempDir()
	if _, err := eventlog.Restore(t.Context(), eventlog.RestoreOptions{From: filepath.Join(dir+"-out", "late"), Dir: look}); err != nil {
		t.Fatal(err)
	}
	copied := open(t, eventlog.Options{Dir: look, Volume: "2025"})
	if hist, err := copied.History(t.Context(), event.KindTube, "L-TB4"); err != nil || len(hist) != 2 {
		t.Errorf("%+v, %v", hist, err)
	}
}

// A daemon told to write a closed volume says so instead of refusing every scan.
func TestAClosedVolumeStopsTheStart(t *testing.T) {
	dir := t.TempDir()
	_ = filled(t, eventlog.Options{Dir: dir}, 1).Close()
	op, err := eventlog.OpenOperator(t.Context(), eventlog.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	err = op.CloseVolume(t.Context(), "2026")
	m, berr := eventlog.Backup(t.Context(), op, eventlog.BackupOptions{To: filepath.Join(t.TempDir(), "b"), Keys: true, Now: made})
	op.Close()
	if err != nil || berr != nil || len(m.Streams) != inABackup {
		t.Fatal(err, berr, m)
	}
	_, err = eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
	says(t, err, "2026 is closed", "another one with --volume")
}

// A whole backup gives a closed volume back closed.
func TestAClosedVolumeIsRestoredClosed(t *testing.T) {
	dir := t.TempDir()
	_ = filled(t, eventlog.Options{Dir: dir, Volume: "2025", MaxBytes: 1 << 30}, 2).Close()
	l := filled(t, opened(t, eventlog.Options{Dir: dir, Volume: "2026", MaxBytes: 1 << 30}), 2)
	if err := operatorOf(t, l).CloseVolume(t.Context(), "2025"); err != nil {
		t.Fatal(err)
	}
	from, _ := aBackup(t, operatorOf(t, l), "")
	data := t.TempDir()
	if _, err := eventlog.Restore(t.Context(), eventlog.RestoreOptions{From: from, Dir: data}); err != nil {
		t.Fatal(err)
	}
	in, err := operatorOf(t, open(t, eventlog.Options{Dir: data, MaxBytes: 1 << 30})).Inspect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if v := in.Volumes(); len(v) != 2 || !v[0].Closed || v[1].Closed {
		t.Errorf("%+v", v)
	}
}

// An operator doesn't make a store where there is none, and a missing stream or a
// wrong key is no empty backup.
func TestAnOperatorMakesNothing(t *testing.T) {
	dir := t.TempDir()
	_, err := eventlog.OpenOperator(t.Context(), eventlog.Options{Dir: dir})
	says(t, err, "holds no store")
	_ = filled(t, eventlog.Options{Dir: dir, Key: "the right key, long enough"}, 1).Close()
	op, err := eventlog.OpenOperator(t.Context(), eventlog.Options{Dir: dir, Key: "a wrong key, long enough"})
	if err != nil {
		t.Fatal(err)
	}
	defer op.Close()
	in, err := op.Inspect(t.Context())
	if err != nil || !reflect.DeepEqual(in.Missing, []string{"CUSTODY_2026", "READINGS_2026", "KEYS", "IDENTITY", "ACCESS", "SIGNIN", "NOTIFY"}) {
		t.Errorf("%+v, %v", in, err)
	}
	to := filepath.Join(t.TempDir(), "b")
	_, err = eventlog.Backup(t.Context(), op, eventlog.BackupOptions{To: to, Keys: true, Now: made})
	says(t, err, "CUSTODY_2026", "--key-file")
	if err := mkdir(to); err != nil { // nothing was left there
		t.Error(err)
	}
}

// On a cluster the copies are seen, a clock is compared, and a backup is made
// through the operator's connection.
func TestAnOperatorOfACluster(t *testing.T) {
	addr := cluster(t)
	filled(t, eventlog.Options{URL: addr, MaxBytes: 64 << 20}, 10)
	op, err := eventlog.OpenOperator(t.Context(), eventlog.Options{URL: addr})
	if err != nil {
		t.Fatal(err)
	}
	defer op.Close()
	in, err := op.Inspect(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	s := in.Stream("CUSTODY_2026")
	if in.Embedded || s == nil || s.Replicas != 3 || len(s.Peers) != 2 || s.Leader == "" || len(s.Losing) != 0 {
		t.Fatalf("%+v", in)
	}
	if !reflect.DeepEqual(in.Unknown, []string{"READY"}) {
		t.Errorf("the streams of others: %v", in.Unknown)
	}
	// All servers run in this process and have its clock.
	if len(in.Clocks) == 0 || in.Clocks[0].AheadMs > in.Clocks[0].WithinMs || in.Clocks[0].AheadMs < -in.Clocks[0].WithinMs {
		t.Errorf("the clocks: %+v", in.Clocks)
	}
	key := "an invented key for tests, long enough"
	dir, m := aBackup(t, op, key)
	if m.Streams[0].Messages != 20 || !reflect.DeepEqual(m.LeftOut, []string{"READY"}) {
		t.Errorf("%+v", m)
	}
	data := t.TempDir()
	if _, err := eventlog.Restore(t.Context(), eventlog.RestoreOptions{From: dir, Dir: data, Key: key}); err != nil {
		t.Fatal(err)
	}
	l := open(t, eventlog.Options{Dir: data, Key: key})
	if hist, err := l.History(t.Context(), event.KindTube, "L-TB7"); err != nil || len(hist) != 2 {
		t.Errorf("%+v, %v", hist, err)
	}
}

// The inspection says which settings could lose facts, in the words of the start.
func TestAnInspectionNamesLosingSettings(t *testing.T) {
	js, stop := plainServer(t, t.TempDir())
	defer stop()
	if _, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "CUSTODY_2026", Subjects: []string{"custody.2026.>"}}); err != nil {
		t.Fatal(err)
	}
	op, err := eventlog.OpenOperator(t.Context(), eventlog.Options{URL: js.Conn().ConnectedUrl(), Replicas: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer op.Close()
	in, err := op.Inspect(t.Context())
	if err != nil || len(in.Streams) != 1 {
		t.Fatalf("%+v, %v", in, err)
	}
	if all := strings.Join(in.Streams[0].Losing, "\n"); !strings.Contains(all, "discard") || !strings.Contains(all, "deny_delete") {
		t.Errorf("%s", all)
	}
}

func mkdir(dir string) error { return os.Mkdir(dir, 0o700) }
