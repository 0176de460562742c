package eventlog

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
)

// What this process knows of its log beside the log itself, in the data folder.
// streams.json names the streams of the embedded store: with a wrong key the
// server starts with its streams "not found", and that must not look like a first
// start. ends.json holds the last sequence of each stream that was acknowledged
// through this folder, of the embedded store or of a cluster: a store that lost its
// newest file ends earlier and otherwise looks sound. It is written every few
// seconds, so it lags: what was acknowledged since then is not covered. gone.json
// counts what was gone already when the store was restored from a backup.

func (j *jet) streamsFile() string { return filepath.Join(j.opts.Dir, "streams.json") }
func (j *jet) endsFile() string    { return filepath.Join(j.opts.Dir, "ends.json") }
func (j *jet) goneFile() string    { return filepath.Join(j.opts.Dir, "gone.json") }

// known reads the files, and gives the names of the streams that must be there: none
// at a first start.
func (j *jet) known() (names []string, err error) {
	j.ends = map[string]uint64{}
	if j.opts.Dir == "" {
		return nil, nil
	}
	if err := errors.Join(readNote(j.endsFile(), &j.ends), readNote(j.goneFile(), &j.gone)); err != nil {
		return nil, err
	}
	if j.opts.URL == "" {
		return j.knownStreams()
	}
	return slices.Collect(maps.Keys(j.ends)), nil
}

// knownStreams reads which streams existed on this data directory before; none of a
// cluster are kept.
func (j *jet) knownStreams() (names []string, err error) {
	if j.opts.URL != "" {
		return nil, nil
	}
	err = readNote(j.streamsFile(), &names)
	return names, err
}

func (j *jet) writeStreams(names []string) error { return replaceJSON(j.streamsFile(), names) }

// readNote reads a small file of JSON; one that isn't there leaves into as it is.
func readNote(path string, into any) error {
	data, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		return fmt.Errorf("eventlog: %s is damaged; restore it from a backup: %w", path, err)
	}
	return nil
}

// rememberStreams keeps the names of what exists from now on.
func (j *jet) rememberStreams(known []string, volume string) error {
	if j.opts.URL != "" {
		return nil
	}
	all := slices.Clone(known)
	names := []string{custodyStream(volume), readingsStream(volume)}
	for _, n := range Shelves() {
		if !n.Passing() { // lost, people sign in again and phones tell again
			names = append(names, string(n))
		}
	}
	for _, n := range names {
		if !slices.Contains(all, n) {
			all = append(all, n)
		}
	}
	if len(all) == len(known) {
		return nil
	}
	return j.writeStreams(all)
}

// rememberEnds keeps how far the log was acknowledged. Only sequences that somebody
// was told are kept: what merely stood in a stream may not have reached the disk.
func (j *jet) rememberEnds() error {
	if j.opts.Dir == "" {
		return nil
	}
	custody, readings := custodyStream(j.opts.Volume), readingsStream(j.opts.Volume)
	c, r := j.guard.custody.Load(), j.guard.readings.Load()
	j.noting.Lock()
	defer j.noting.Unlock()
	known, noted := j.ends[custody]
	if noted && c <= known && r <= j.ends[readings] {
		return nil
	}
	ends := maps.Clone(j.ends) // those of other volumes too
	ends[custody], ends[readings] = max(c, ends[custody]), max(r, ends[readings])
	if err := replaceJSON(j.endsFile(), ends); err != nil {
		return err
	}
	j.ends = ends
	return nil
}
