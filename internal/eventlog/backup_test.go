package eventlog_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
	"specimen.example/custody/internal/eventlog/wire"
)

var made = time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC) // invented

// filled is a log with n tubes of two decisions each, readings and a patient's key.
func filled(t *testing.T, o eventlog.Options, n int) eventlog.Log {
	t.Helper()
	l := open(t, o)
	for i := range n {
		tube := fmt.Sprint("TB", i)
		seq, err := l.Append(t.Context(), logtest.Decision(tube, "a"), 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Append(t.Context(), logtest.Decision(tube, "b"), seq); err != nil {
			t.Fatal(err)
		}
	}
	run := &event.Run{Logger: "L-LG1", ID: "run-1", Readings: []event.Reading{{At: 1000, C: 2100}, {At: 2000, C: 2150}}}
	if _, err := l.AppendRun(t.Context(), run); err != nil {
		t.Fatal(err)
	}
	if _, err := addKey(t, l, "abc123", wire.PatientKey{Reference: "P-INVENTED", Key: bytes.Repeat([]byte{7}, 32)}); err != nil {
		t.Fatal(err)
	}
	return l
}

// addKey puts a patient's key where there is none, and gives the one that stands.
func addKey(t *testing.T, l eventlog.Log, index string, k wire.PatientKey) (wire.PatientKey, error) {
	t.Helper()
	shelf := l.Shelf(eventlog.ShelfKeys)
	data, _, err := shelf.Get(t.Context(), index)
	if err == nil {
		return wire.ReadKey(data)
	}
	if data, err = wire.Key(k); err == nil {
		_, err = shelf.Put(t.Context(), index, data, 0)
	}
	return k, err
}

func operatorOf(t *testing.T, l eventlog.Log) *eventlog.Operator {
	t.Helper()
	op, err := eventlog.OperatorOf(l)
	if err != nil {
		t.Fatal(err)
	}
	return op
}

// inABackup are the streams of one volume and its shelves but for those that pass.
const inABackup = 7

// aBackup is a whole backup with an index key of invented bytes.
func aBackup(t *testing.T, src eventlog.Source, key string) (string, eventlog.Manifest) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "backup")
	o := eventlog.BackupOptions{To: dir, Keys: true, Key: key, Now: made}
	if key == "" {
		o.Files = map[string][]byte{"index.key": bytes.Repeat([]byte{9}, 32)}
	}
	m, err := eventlog.Backup(t.Context(), src, o)
	if err != nil {
		t.Fatal(err)
	}
	return dir, m
}

// busy is a log that is written while it is read.
type busy struct {
	eventlog.Source
	write func()
}

func (b busy) Read(ctx context.Context, stream string, from, to uint64, take func(*eventlog.Message) error) error {
	b.write()
	return b.Source.Read(ctx, stream, from, to, take)
}

func TestARestoredLogIsTheSameLog(t *testing.T) {
	for name, key := range map[string]string{"in the clear": "", "sealed": "an invented key for tests, long enough"} {
		t.Run(name, func(t *testing.T) {
			l := filled(t, eventlog.Options{Key: key}, 60)
			late := 0
			src := busy{operatorOf(t, l), func() { // between taking the ends and reading up to them
				late++
				if _, err := l.Append(t.Context(), logtest.Decision(fmt.Sprint("LATE", late), "a"), 0); err != nil {
					t.Error(err)
				}
			}}
			dir, m := aBackup(t, src, key)
			if end, err := l.End(t.Context()); late != inABackup || err != nil || end.Custody != m.Streams[0].Last+inABackup || m.Streams[0].Last != 120 {
				t.Errorf("the backup ends at %d, the log at %+v, %v", m.Streams[0].Last, end, err)
			}
			if lacks := m.Lacks(); len(lacks) != 0 {
				t.Errorf("it lacks %v", lacks)
			}
			data := t.TempDir()
			restored, err := eventlog.Restore(t.Context(), eventlog.RestoreOptions{From: dir, Dir: data, Key: key})
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(restored.Counts(), m.Counts()) || len(m.Streams) != inABackup {
				t.Errorf("restored %v of %v", restored.Counts(), m.Counts())
			}
			again := open(t, eventlog.Options{Dir: data, Key: key})
			end, err := again.End(t.Context())
			if err != nil || end.Custody != 120 || end.Readings != 1 {
				t.Fatalf("it ends at %+v, %v; the backup at %d", end, err, m.Streams[0].Last)
			}
			for i := range 60 {
				key := event.Key(fmt.Sprint("L-TB", i))
				was, err := l.History(t.Context(), event.KindTube, key)
				if err != nil {
					t.Fatal(err)
				}
				is, err := again.History(t.Context(), event.KindTube, key)
				if err != nil || !reflect.DeepEqual(was, is) || len(is) != 2 {
					t.Errorf("%s: %d decisions, %d restored, %v", key, len(was), len(is), err)
				}
			}
			// The same patient gets the reference it had.
			got, err := addKey(t, again, "abc123", wire.PatientKey{Reference: "ANOTHER", Key: make([]byte, 32)})
			if err != nil || got.Reference != "P-INVENTED" {
				t.Errorf("the patient's key: %+v, %v", got, err)
			}
			// Expectations hold on: the next decision goes behind the last one, and only there.
			if _, err := again.Append(t.Context(), logtest.Decision("TB3", "c"), 0); !errors.Is(err, eventlog.ErrConflict) {
				t.Errorf("a decision behind nothing: %v", err)
			}
			hist, err := again.History(t.Context(), event.KindTube, "L-TB3")
			if err != nil {
				t.Fatal(err)
			}
			if _, err := again.Append(t.Context(), logtest.Decision("TB3", "c"), hist[1].Seq); err != nil {
				t.Error(err)
			}
			if secret, err := os.ReadFile(filepath.Join(data, "index.key")); (err == nil) != (key == "") || key == "" && len(secret) != 32 {
				t.Errorf("index.key: %v", err)
			}
			if key != "" {
				noPlaintext(t, dir, "L-TB3")
				noPlaintext(t, dir, "P-INVENTED")
				noPlaintext(t, data, "P-INVENTED")
			}
		})
	}
}

func TestABackupIsNeverWrittenOverAnother(t *testing.T) {
	l := filled(t, eventlog.Options{}, 1)
	dir, _ := aBackup(t, operatorOf(t, l), "")
	_, err := eventlog.Backup(t.Context(), operatorOf(t, l), eventlog.BackupOptions{To: dir, Now: made})
	if err == nil || !strings.Contains(err.Error(), "is there already") || !strings.Contains(err.Error(), "doesn't exist") {
		t.Errorf("a second backup into the same folder: %v", err)
	}
	if err := os.Mkdir(dir+"2.partial", 0o700); err != nil {
		t.Fatal(err)
	}
	_, err = eventlog.Backup(t.Context(), operatorOf(t, l), eventlog.BackupOptions{To: dir + "2", Now: made})
	if err == nil || !strings.Contains(err.Error(), "broke off") {
		t.Errorf("beside an unfinished one: %v", err)
	}
	if err := filepath.WalkDir(dir, func(path string, d os.DirEntry, _ error) error {
		info, err := d.Info()
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s has the mode %v", filepath.Base(path), info.Mode())
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// Left out, KEYS costs the patients' references: that is the choice, and the
// manifest says so.
func TestKeysMayBeLeftOut(t *testing.T) {
	l := filled(t, eventlog.Options{}, 1)
	dir := filepath.Join(t.TempDir(), "backup")
	m, err := eventlog.Backup(t.Context(), operatorOf(t, l), eventlog.BackupOptions{To: dir, Now: made})
	if err != nil {
		t.Fatal(err)
	}
	if m.Keys || !reflect.DeepEqual(m.LeftOut, []string{"IDENTITY", "KEYS", "SIGNIN"}) || len(m.Streams) != 4 {
		t.Errorf("%+v", m)
	}
	noPlaintext(t, dir, "P-INVENTED")
	data := t.TempDir()
	if _, err := eventlog.Restore(t.Context(), eventlog.RestoreOptions{From: dir, Dir: data}); err != nil {
		t.Fatal(err)
	}
	got, err := addKey(t, open(t, eventlog.Options{Dir: data}), "abc123", wire.PatientKey{Reference: "NEW", Key: make([]byte, 32)})
	if err != nil || got.Reference != "NEW" {
		t.Errorf("%+v, %v", got, err)
	}
}

// Every damage is found before anything is written, and the words name the file
// and the remedy.
func TestADamagedBackupIsRefused(t *testing.T) {
	const key = "an invented key for tests, long enough"
	good := map[bool]string{}
	l := filled(t, eventlog.Options{}, 20)
	good[false], _ = aBackup(t, operatorOf(t, l), "")
	sealed := filled(t, eventlog.Options{Key: key}, 20)
	good[true], _ = aBackup(t, operatorOf(t, sealed), key)
	flip := func(name string, at func(size int) int) func(*testing.T, string) {
		return func(t *testing.T, dir string) {
			path := filepath.Join(dir, name)
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			data[at(len(data))] ^= 1
			if err := os.WriteFile(path, data, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	cut := func(name string, by int64) func(*testing.T, string) {
		return func(t *testing.T, dir string) {
			info, err := os.Stat(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			if err := os.Truncate(filepath.Join(dir, name), info.Size()-by); err != nil {
				t.Fatal(err)
			}
		}
	}
	lose := func(name string) func(*testing.T, string) {
		return func(t *testing.T, dir string) {
			if err := os.Remove(filepath.Join(dir, name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	first, middle, last := func(int) int { return 0 }, func(n int) int { return n / 2 }, func(n int) int { return n - 1 }
	for name, tc := range map[string]struct {
		sealed bool
		do     func(*testing.T, string)
		say    []string
	}{
		"a bit of the decisions":       {false, flip("CUSTODY_2026.stream", middle), []string{"CUSTODY_2026.stream", "messages 1 to 40", "copy it again"}},
		"a bit of the last record":     {false, flip("CUSTODY_2026.stream", last), []string{"CUSTODY_2026.stream", "copy it again"}},
		"a bit of the first line":      {false, flip("READINGS_2026.stream", first), []string{"READINGS_2026.stream", "copy it again"}},
		"a bit of the keys":            {false, flip("KEYS.stream", last), []string{"KEYS.stream", "copy it again"}},
		"a bit of the secret":          {false, flip("index.key", middle), []string{"index.key", "copy it again"}},
		"a bit of the manifest":        {false, flip("manifest.json", middle), []string{"manifest.json", "copy it again"}},
		"a bit of the manifest's sum":  {false, flip("manifest.sha256", first), []string{"manifest.json", "manifest.sha256", "copy it again"}},
		"a file cut short":             {false, cut("CUSTODY_2026.stream", 1), []string{"CUSTODY_2026.stream", "bytes", "copy it again"}},
		"a file emptied":               {false, func(t *testing.T, dir string) { cutTo(t, filepath.Join(dir, "KEYS.stream")) }, []string{"KEYS.stream", "copy it again"}},
		"a file with something behind": {false, cut("CUSTODY_2026.stream", -1), []string{"CUSTODY_2026.stream", "copy it again"}},
		"no decisions":                 {false, lose("CUSTODY_2026.stream"), []string{"CUSTODY_2026.stream is missing", "copy it again"}},
		"no secret":                    {false, lose("index.key"), []string{"index.key is missing", "copy it again"}},
		"no manifest":                  {false, lose("manifest.json"), []string{"holds no manifest.json", ".partial"}},
		"no sum":                       {false, lose("manifest.sha256"), []string{"manifest.sha256 is missing", "copy it again"}},
		"a bit of sealed decisions":    {true, flip("CUSTODY_2026.stream", middle), []string{"CUSTODY_2026.stream", "copy it again"}},
		"no MAC":                       {true, lose("manifest.mac"), []string{"manifest.mac is missing", "copy it again"}},
		"a forged MAC":                 {true, flip("manifest.mac", first), []string{"manifest.json was changed", "copy it again"}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "copy")
			if err := os.CopyFS(dir, os.DirFS(good[tc.sealed])); err != nil {
				t.Fatal(err)
			}
			tc.do(t, dir)
			o := eventlog.RestoreOptions{From: dir, Dir: t.TempDir()}
			if tc.sealed {
				o.Key = key
			}
			_, err := eventlog.Restore(t.Context(), o)
			if err == nil {
				t.Fatal("it was restored")
			}
			for _, word := range tc.say {
				if !strings.Contains(err.Error(), word) {
					t.Errorf("%q is not in: %v", word, err)
				}
			}
			if entries, err := os.ReadDir(o.Dir); err != nil || len(entries) != 0 {
				t.Errorf("something was written: %v, %v", entries, err)
			}
		})
	}
	for name, tc := range map[string]struct {
		sealed bool
		key    string
		say    string
	}{
		"another key":         {true, "another invented key, as long as it", "another key"},
		"no key":              {true, "", "give the --key-file"},
		"a key for no reason": {false, key, "leave --key-file out"},
	} {
		t.Run(name, func(t *testing.T) {
			o := eventlog.RestoreOptions{From: good[tc.sealed], Dir: t.TempDir(), Key: tc.key}
			if _, err := eventlog.Restore(t.Context(), o); err == nil || !strings.Contains(err.Error(), tc.say) {
				t.Errorf("%v doesn't say %q", err, tc.say)
			}
			if entries, err := os.ReadDir(o.Dir); err != nil || len(entries) != 0 {
				t.Errorf("something was written: %v, %v", entries, err)
			}
		})
	}
	t.Run("into a folder that isn't empty", func(t *testing.T) {
		o := eventlog.RestoreOptions{From: good[false], Dir: t.TempDir()}
		if err := os.WriteFile(filepath.Join(o.Dir, "streams.json"), nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := eventlog.Restore(t.Context(), o); err == nil || !strings.Contains(err.Error(), "not empty (it holds streams.json)") {
			t.Error(err)
		}
	})
	t.Run("into a store that is too small", func(t *testing.T) {
		o := eventlog.RestoreOptions{From: good[false], Dir: t.TempDir(), MaxStore: 1 << 20}
		if _, err := eventlog.Restore(t.Context(), o); err == nil || !strings.Contains(err.Error(), "raise max-store") {
			t.Error(err)
		}
	})
}

func cutTo(t *testing.T, path string) {
	t.Helper()
	if err := os.Truncate(path, 0); err != nil {
		t.Fatal(err)
	}
}

// No daemon starts on what a killed restore left behind.
func TestAnUnfinishedRestoreStopsTheStart(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "restore-unfinished"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := eventlog.Open(t.Context(), eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
	if err == nil || !strings.Contains(err.Error(), "not finished") || !strings.Contains(err.Error(), "restore again") {
		t.Error(err)
	}
}

// Erased keys and facts that were lost stay what they were: the sequences around
// them don't move, and lost facts are said.
func TestGoneMessagesStayGoneUnderTheirSequences(t *testing.T) {
	js, stop := plainServer(t, t.TempDir())
	defer stop()
	ctx := t.Context()
	for _, cfg := range []jetstream.StreamConfig{
		{Name: "CUSTODY_2026", Subjects: []string{"custody.2026.>"}, FirstSeq: 1001, Discard: jetstream.DiscardNew, MaxBytes: 1 << 20, AllowAtomicPublish: true, AllowDirect: true},
		{Name: "READINGS_2026", Subjects: []string{"readings.2026.>"}, Discard: jetstream.DiscardNew, MaxBytes: 1 << 20},
		{Name: "KEYS", Subjects: []string{"keys.>"}, MaxBytes: 1 << 20},
	} {
		if _, err := js.CreateStream(ctx, cfg); err != nil {
			t.Fatal(err)
		}
	}
	put := func(subject string, data []byte) {
		t.Helper()
		if _, err := js.Publish(ctx, subject, data); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 10 {
		d := logtest.Decision(fmt.Sprint("TB", i), "a")
		data, err := wire.Decision(d)
		if err != nil {
			t.Fatal(err)
		}
		put(event.Subject("2026", d.Kind, d.Key), data)
		key, err := wire.Key(wire.PatientKey{Reference: fmt.Sprint("P-", i), Key: make([]byte, 32)})
		if err != nil {
			t.Fatal(err)
		}
		put(fmt.Sprint("keys.k", i), key)
	}
	erase := func(stream string, seqs ...uint64) {
		t.Helper()
		s, err := js.Stream(ctx, stream)
		if err != nil {
			t.Fatal(err)
		}
		for _, seq := range seqs {
			if err := s.SecureDeleteMsg(ctx, seq); err != nil {
				t.Fatal(err)
			}
		}
	}
	erase("KEYS", 1, 4, 5, 9, 10)
	erase("CUSTODY_2026", 1003)
	op, err := eventlog.OpenOperator(ctx, eventlog.Options{URL: js.Conn().ConnectedUrl(), Replicas: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer op.Close()
	dir, m := aBackup(t, op, "an invented key for tests, long enough")
	if lacks := m.Lacks(); len(lacks) != 1 || !strings.Contains(lacks[0], "CUSTODY_2026 had no messages 1003 to 1003") {
		t.Errorf("%v", lacks)
	}
	data := t.TempDir()
	if _, err := eventlog.Restore(ctx, eventlog.RestoreOptions{From: dir, Dir: data, Key: "an invented key for tests, long enough"}); err != nil {
		t.Fatal(err)
	}
	l := open(t, eventlog.Options{Dir: data, Key: "an invented key for tests, long enough"})
	for i := range 10 {
		hist, err := l.History(ctx, event.KindTube, event.Key(fmt.Sprint("L-TB", i)))
		if err != nil {
			t.Fatal(err)
		}
		if i == 2 {
			if len(hist) != 0 {
				t.Errorf("the lost decision came back: %+v", hist)
			}
			continue
		}
		if len(hist) != 1 || hist[0].Seq != uint64(1001+i) {
			t.Errorf("TB%d: %+v", i, hist)
		}
	}
	in, err := operatorOf(t, l).Inspect(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if s := in.Stream("KEYS"); s.First != 2 || s.Last != 10 || s.Messages != 5 {
		t.Errorf("KEYS: %+v", s)
	}
	if s := in.Stream("CUSTODY_2026"); s.First != 1001 || s.Last != 1010 || s.Messages != 9 || len(s.Losing) != 0 {
		t.Errorf("CUSTODY_2026: %+v", s)
	}
	for i, there := range []bool{false, true, true, false, false, true, true, true, false, false} {
		got, err := addKey(t, l, fmt.Sprint("k", i), wire.PatientKey{Reference: "NEW", Key: make([]byte, 32)})
		if err != nil || (got.Reference == fmt.Sprint("P-", i)) != there {
			t.Errorf("key %d: %+v, %v", i, got, err)
		}
	}
}

// A restore without messages, and one into a stream that begins late and is empty.
func TestAnEmptyLogIsRestoredToo(t *testing.T) {
	dir, m := aBackup(t, operatorOf(t, open(t, eventlog.Options{})), "")
	if len(m.Streams) != inABackup {
		t.Errorf("%+v", m)
	}
	data := t.TempDir()
	if _, err := eventlog.Restore(t.Context(), eventlog.RestoreOptions{From: dir, Dir: data}); err != nil {
		t.Fatal(err)
	}
	l := open(t, eventlog.Options{Dir: data})
	if seq, err := l.Append(t.Context(), logtest.Decision("TB1", "a"), 0); err != nil || seq != 1 {
		t.Errorf("%d, %v", seq, err)
	}
}

// A record reads back as it was written, whatever is in it.
func TestARecordReadsBack(t *testing.T) {
	text := rapid.StringN(0, 20, -1)
	rapid.Check(t, func(t *rapid.T) {
		m := &eventlog.Message{
			Seq: rapid.Uint64().Draw(t, "seq"), Stored: rapid.Int64().Draw(t, "stored"), Subject: text.Draw(t, "subject"),
			Data: rapid.SliceOfN(rapid.Byte(), 1, 100).Draw(t, "data"),
		}
		if header := rapid.MapOfN(text, rapid.SliceOfN(text, 1, 3), 0, 4).Draw(t, "header"); len(header) > 0 {
			m.Header = header
		}
		r := bufio.NewReader(bytes.NewReader(m.Append(m.Append(nil))))
		for range 2 {
			got, err := eventlog.ReadMessage(r)
			if err != nil || !reflect.DeepEqual(got, m) {
				t.Fatalf("%+v, %v; want %+v", got, err, m)
			}
		}
		if _, err := eventlog.ReadMessage(r); !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
	})
}

// Whatever stands in a file, reading it ends with a message, an error or the end,
// and never reserves more than it reads.
func FuzzReadMessage(f *testing.F) {
	m := &eventlog.Message{Seq: 3, Subject: "custody.2026.tube.L-TB1", Header: map[string][]string{"A": {"b"}}, Data: []byte("x")}
	whole := m.Append(nil)
	f.Add(whole)
	f.Add(whole[:len(whole)-1])
	f.Add([]byte{0xff, 0xff, 0xff, 0xff})
	f.Add([]byte{0, 0, 0, 24, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 1, 0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		r := bufio.NewReader(bytes.NewReader(data))
		for {
			m, err := eventlog.ReadMessage(r)
			if err != nil {
				return
			}
			again, err := eventlog.ReadMessage(bufio.NewReader(bytes.NewReader(m.Append(nil))))
			if err != nil || again.Seq != m.Seq || again.Subject != m.Subject || !bytes.Equal(again.Data, m.Data) {
				t.Fatalf("%+v, %v", again, err)
			}
		}
	})
}
