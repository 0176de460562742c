package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/loggerfile"
	"specimen.example/custody/internal/label"
)

// LoggerFile is a logger's file as somebody uploads it.
type LoggerFile struct {
	ID, Logger, Name, By string
	Data                 []byte
	Said                 loggerfile.Said // what the person says of it
	Sync                 []loggerfile.Sync
	Carrier              string // whose tubes it is for, empty when not said
	Forget               bool   // don't use how an earlier file was understood
	DryRun               bool
}

// Imported is what became of a file.
type Imported struct {
	loggerfile.File
	// Known is the import that brought the very file before; nothing was stored then.
	Known *custody.Import
	// Stored is the number of readings that were stored, with and without a value.
	Stored int
	Seq    uint64
	// Notes are what a person should see beside the file's own.
	Notes []string
}

// runLength is how many readings travel in one message.
const runLength = 10_000

// Import reads a logger's file. Nothing is stored of a dry run, of a file with an
// open question, of one that can't be read, and of one that was read in before. The
// readings go first and the fact by which they count last: a file that broke off in
// between counts nowhere and is read in again. The error is a *FieldError or eventlog's.
func (d *Desk) Import(ctx context.Context, f LoggerFile) (Imported, error) {
	logger, err := d.model.Find(label.Input{Raw: []byte(f.Logger)}, event.KindLogger)
	if err != nil {
		return Imported{}, fieldError("logger", "%s", sayOf(err))
	}
	key := logger.Key
	known, ok := d.model.LoggerOf(key)
	if !ok || known.EveryMs == 0 {
		return Imported{}, fieldError("logger", "%q is not declared; declare the logger with its interval first", f.Logger)
	}
	a := loggerfile.Answers{
		Person: f.Said, Record: loggerfile.Said{Zone: known.Zone, EveryMs: known.EveryMs}, Sync: f.Sync,
		Zones: time.LoadLocation, Offer: d.zones(), Window: d.window(f.Carrier, known),
	}
	out := Imported{}
	if !f.Forget {
		a.Remembered, out.Notes = remembered(known)
	}
	out.File = loggerfile.Read(f.Data, a)
	if at := slices.IndexFunc(known.Imports, func(i custody.Import) bool { return i.Hash == out.Hash && !i.Voided }); at >= 0 {
		out.Known = &known.Imports[at]
		return out, nil
	}
	if f.DryRun || out.Refused || len(out.Questions) > 0 || len(out.Readings) == 0 {
		return out, nil
	}
	return out, d.keep(ctx, key, f, &out)
}

// keep stores the readings of a file and then the fact of its import.
func (d *Desk) keep(ctx context.Context, key event.Key, f LoggerFile, out *Imported) error {
	mapping, err := json.Marshal(out.Mapping)
	if err != nil {
		return fmt.Errorf("intake: mapping of %s: %w", f.Name, err)
	}
	fact := event.LoggerFileImported{
		Hash: out.Hash, File: f.Name, Mapping: mapping, Zone: out.How.Zone.Value,
		First: out.Readings[0].At, Last: out.Readings[len(out.Readings)-1].At,
	}
	for _, s := range f.Sync {
		fact.Sync = append(fact.Sync, s.Logger, s.True)
	}
	// The same bytes read otherwise are another import: the first may have been taken back.
	fact.Import = importID(&fact, f.Said)
	for _, r := range out.Readings {
		if r.OK {
			fact.Values++
		} else {
			fact.Faults++
		}
	}
	runs := make([]event.Run, 0, len(out.Readings)/runLength+1)
	for part := range slices.Chunk(out.Readings, runLength) {
		run := event.Run{Logger: key, ID: fmt.Sprintf("%s-%d", fact.Import, len(runs)), Import: fact.Import, Readings: slices.Clone(part)}
		for i := range run.Readings {
			run.Readings[i].Raw = strings.Clone(run.Readings[i].Raw) // it would hold the whole file
		}
		runs = append(runs, run)
	}
	// A few messages at a time: a year of readings must not push out everybody's scans.
	for few := range slices.Chunk(runs, 4) {
		if _, err := d.Readings(ctx, few); err != nil {
			return err
		}
	}
	at := d.now()
	out.Seq, err = d.Write(ctx, Entry{ID: f.ID, Target: custody.Target{Kind: event.KindLogger, Key: key}, Facts: []event.Fact{fact}, By: f.By, At: at})
	if err != nil {
		return err
	}
	out.Stored = len(out.Readings)
	return nil
}

func importID(f *event.LoggerFileImported, said loggerfile.Said) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %s %v %+v", f.Hash, f.Mapping, f.Sync, said))
	return "file-" + hex.EncodeToString(sum[:10])
}

// remembered gives how the logger's last file was understood.
func remembered(l custody.Logger) (m *loggerfile.Mapping, notes []string) {
	for _, i := range slices.Backward(l.Imports) {
		if i.Voided || len(i.Mapping) == 0 {
			continue
		}
		m, err := loggerfile.ParseMapping(i.Mapping)
		if err != nil {
			return nil, []string{err.Error()}
		}
		return &m, nil
	}
	return nil, nil
}

// zones lists the time zones of the declared places.
func (d *Desk) zones() []string {
	var out []string
	d.model.World(func(w *custody.World) {
		for _, key := range w.Keys(event.KindPlace) {
			if p, ok := w.Place(key.Label()); ok && p.Zone != "" && !slices.Contains(out, p.Zone) {
				out = append(out, p.Zone)
			}
		}
	})
	return out
}

// window is the time for which the file is wanted: while the carrier had tubes by
// its own steps, else since the logger was attached.
func (d *Desk) window(carrier string, l custody.Logger) loggerfile.Window {
	if box, err := d.model.Find(label.Input{Raw: []byte(carrier)}, event.KindCarrier); carrier != "" && err == nil {
		var win loggerfile.Window
		d.model.World(func(w *custody.World) {
			if c, ok := w.Carrier(box.Key); ok && len(c.Timeline) > 0 {
				win = loggerfile.Window{From: c.Timeline[0].At(), To: c.Timeline[len(c.Timeline)-1].At()}
			}
		})
		return win
	}
	if n := len(l.Attached); n > 0 {
		win := loggerfile.Window{From: l.Attached[n-1].From, To: l.Attached[n-1].Until}
		if win.To == 0 {
			win.To = d.now()
		}
		return win
	}
	return loggerfile.Window{}
}
