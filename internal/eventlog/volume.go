package eventlog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Volume is a period of the log: a stream of decisions and one of readings.
type Volume struct {
	Name     string `json:"volume"`
	Writes   bool   `json:"writes"` // the running daemon writes it
	Closed   bool   `json:"closed"` // it takes nothing more
	Facts    uint64 `json:"decisions"`
	Readings uint64 `json:"readings"`
	Bytes    uint64 `json:"bytes"`
	Updated  string `json:"updated,omitempty"` // by the broker's clock
}

// Volumes lists the volumes of an inspection, oldest name first.
func (in *Inspection) Volumes() []Volume {
	var out []Volume
	for _, s := range in.Streams {
		if !s.Facts() {
			continue
		}
		i := slices.IndexFunc(out, func(v Volume) bool { return v.Name == s.Volume })
		if i < 0 {
			out = append(out, Volume{Name: s.Volume, Writes: s.Volume == in.Writes, Closed: true})
			i = len(out) - 1
		}
		v := &out[i]
		v.Closed = v.Closed && s.Closed
		v.Bytes += s.Bytes
		v.Updated = max(v.Updated, s.Updated)
		if s.Name == custodyStream(s.Volume) {
			v.Facts = s.Messages
		} else {
			v.Readings = s.Messages
		}
	}
	slices.SortFunc(out, func(a, b Volume) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// volumeStreams gives the two streams of a volume, by an inspection made now.
func (o *Operator) volumeStreams(ctx context.Context, name string) ([]*Stream, error) {
	in, err := o.Inspect(ctx)
	if err != nil {
		return nil, err
	}
	if in.Writes == name {
		return nil, fmt.Errorf("volume: %s is the volume that is written to; it can be neither closed nor removed", name)
	}
	streams := []*Stream{in.Stream(custodyStream(name)), in.Stream(readingsStream(name))}
	streams = slices.DeleteFunc(streams, func(s *Stream) bool { return s == nil })
	if len(streams) == 0 {
		return nil, fmt.Errorf("volume: there is no volume %q; custodyd volume list shows which there are", name)
	}
	return streams, nil
}

// OpenVolume begins a volume: it makes the two streams. The name must be new here. A
// daemon that writes it knows only what is stored in it, so whoever opens one sees to
// it that no tube of another is under way.
func (o *Operator) OpenVolume(ctx context.Context, name string) error {
	if err := checkVolumeName(name); err != nil {
		return err
	}
	in, err := o.Inspect(ctx)
	if err != nil {
		return err
	}
	if in.Stream(custodyStream(name)) != nil {
		return fmt.Errorf("volume: %s is there already; start custodyd with --volume %s", name, name)
	}
	j := o.log
	if err := j.refuseRemoved(name); err != nil {
		return err
	}
	known, err := j.knownStreams()
	if err != nil {
		return err
	}
	if err := j.ensure(ctx, o.js, name, known); err != nil {
		return err
	}
	return j.rememberStreams(known, name)
}

// refuseUnopened stops the start on a volume that nobody opened: a mistyped name
// would begin an empty log beside the one that knows the tubes.
func (j *jet) refuseUnopened(ctx context.Context, js jetstream.JetStream) error {
	var others []string
	names := js.StreamNames(ctx, jetstream.WithStreamListSubject("custody.>"))
	for name := range names.Name() {
		volume, is := strings.CutPrefix(name, custodyStream(""))
		if volume == j.opts.Volume {
			return nil
		}
		if is {
			others = append(others, volume)
		}
	}
	if err := names.Err(); err != nil {
		return fmt.Errorf("eventlog: which volumes there are: %w", err)
	}
	if len(others) == 0 {
		return nil
	}
	return fmt.Errorf("volume: there is no volume %s, but %s; start custodyd with --volume %s, or begin the new one with: custodyd volume open %s --again %s",
		j.opts.Volume, strings.Join(others, ", "), others[len(others)-1], j.opts.Volume, j.opts.Volume)
}

func checkVolumeName(name string) error {
	if name == "" || strings.ContainsAny(name, ".*> \t\r\n/\\") {
		return fmt.Errorf("volume: the name %q must be one subject token, for example 2026", name)
	}
	return nil
}

// CloseVolume seals both streams of a volume for ever: they take nothing more, and
// nothing can be changed or deleted in them. It can't be taken back. The volume that
// the daemon writes is refused. Whether the streams really refuse is tried.
func (o *Operator) CloseVolume(ctx context.Context, name string) error {
	streams, err := o.volumeStreams(ctx, name)
	if err != nil {
		return err
	}
	for _, s := range streams {
		if err := o.closeStream(ctx, s.Name); err != nil {
			return err
		}
	}
	return nil
}

// codeSealed is the server's error for a write to a sealed stream.
const codeSealed = 10109

func (o *Operator) closeStream(ctx context.Context, name string) error {
	s, err := o.js.Stream(ctx, name)
	if err != nil {
		return fmt.Errorf("volume: close %s: %w", name, err)
	}
	cfg := s.CachedInfo().Config
	cfg.Sealed = true
	if _, err := o.js.UpdateStream(ctx, cfg); err != nil {
		return fmt.Errorf("volume: close %s: %w", name, err)
	}
	// The expectation can't hold, so a stream that isn't closed after all refuses the
	// message too, with another error.
	probe := nats.NewMsg(strings.TrimSuffix(cfg.Subjects[0], ">") + "probe.closed")
	_, err = o.js.PublishMsg(ctx, probe, jetstream.WithExpectLastSequence(1<<62))
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == codeSealed {
		return nil
	}
	return fmt.Errorf("volume: %s was told to close and still answers a write with: %w", name, err)
}

// RemoveVolume deletes both streams of a closed volume. archive is the manifest of
// its archive, which the caller has just read wholly (ReadBackup) and compared with
// the volume (Compare); it must hold exactly what the streams hold now. The volume's
// name is remembered on the data directory, so that a daemon told to write it is
// refused instead of starting it anew.
func (o *Operator) RemoveVolume(ctx context.Context, name string, archive *Manifest) error {
	streams, err := o.volumeStreams(ctx, name)
	if err != nil {
		return err
	}
	if archive.Archive != name {
		return fmt.Errorf("volume: the archive holds the volume %q, not %q", archive.Archive, name)
	}
	for _, s := range streams {
		if !s.Closed {
			return fmt.Errorf("volume: %s is open; close it first (custodyd volume close %s), then archive it", s.Name, name)
		}
		i := slices.IndexFunc(archive.Streams, func(a StoredStream) bool { return a.Name == s.Name })
		if i < 0 {
			return fmt.Errorf("volume: the archive doesn't hold the stream %s; archive the volume again", s.Name)
		}
		if a := archive.Streams[i]; a.First != s.First || a.Last != s.Last || a.Messages != s.Messages {
			return fmt.Errorf("volume: %s holds %d messages from %d to %d, its archive %d from %d to %d; archive the volume again",
				s.Name, s.Messages, s.First, s.Last, a.Messages, a.First, a.Last)
		}
		if !archive.Streams[i].Closed {
			return fmt.Errorf("volume: the archive was made while %s was open; archive the volume again now that it is closed", s.Name)
		}
	}
	if err := o.log.rememberRemoved(Removed{Volume: name, At: time.Now().UTC(), Made: archive.Made}); err != nil {
		return err
	}
	for _, s := range streams {
		if err := o.js.DeleteStream(ctx, s.Name); err != nil {
			return fmt.Errorf("volume: remove %s: %w; try again", s.Name, err)
		}
	}
	return o.log.forgetStreams(custodyStream(name), readingsStream(name))
}

// Removed is a volume that was archived and removed from this data directory.
type Removed struct {
	Volume string    `json:"volume"`
	At     time.Time `json:"removedAt"`
	Made   time.Time `json:"archiveMade"`
}

func (j *jet) removedFile() string { return filepath.Join(j.opts.Dir, "removed.json") }

// removed reads which volumes were removed here. An external cluster has no such
// list: who writes which volume is then for its operator to know.
func (j *jet) removed() ([]Removed, error) {
	if j.opts.URL != "" {
		return nil, nil
	}
	var list []Removed
	err := readNote(j.removedFile(), &list)
	return list, err
}

// refuseRemoved stops the start on a volume that was removed.
func (j *jet) refuseRemoved(volume string) error {
	list, err := j.removed()
	if err != nil {
		return err
	}
	for _, r := range list {
		if r.Volume == volume {
			return fmt.Errorf("eventlog: the volume %s was archived and removed from here on %s; it is never begun anew. "+
				"Start with another --volume; to look into it, restore its archive (of %s) into an empty folder",
				r.Volume, r.At.Format(time.DateOnly), r.Made.Format(time.DateOnly))
		}
	}
	return nil
}

func (j *jet) rememberRemoved(r Removed) error {
	if j.opts.URL != "" {
		return nil
	}
	list, err := j.removed()
	if err != nil {
		return err
	}
	list = slices.DeleteFunc(list, func(old Removed) bool { return old.Volume == r.Volume })
	return replaceJSON(j.removedFile(), append(list, r))
}

// forgetStreams takes names off the list of streams that must be there.
func (j *jet) forgetStreams(names ...string) error {
	if j.opts.URL != "" {
		return nil
	}
	known, err := j.knownStreams()
	if err != nil {
		return err
	}
	return j.writeStreams(slices.DeleteFunc(known, func(n string) bool { return slices.Contains(names, n) }))
}

// replaceJSON writes a small file beside the old one and puts it in its place when
// it is on the disk.
func replaceJSON(path string, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	return WriteDurably(path, data)
}
