package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/eventlog"
)

// A year is over: its volume is closed, archived and removed through the door of the
// daemon that writes the next, and can be looked into from its archive.
func TestAVolumeIsClosedArchivedAndRemovedWhileTheNextRuns(t *testing.T) {
	data, work := t.TempDir(), t.TempDir()
	config := file(t, "max-bytes: 1073741824\n") // two volumes must fit into the store's limit
	noon := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	old := newSite(t, "--data", data, "--volume", "2025", "--config", config)
	old.set(noon)
	if _, err := old.scans(t.Context(), []map[string]any{collected("c-1", "TB000001", "P-7001", noon)}); err != nil {
		t.Fatal(err)
	}
	fails(t, exitFailed, []string{"2025", "is written to"}, "volume", "close", "2025", "--again", "2025", "--data", data)
	old.end()
	// Stopped, the settings say which one is written.
	fails(t, exitFailed, []string{"2025", "by the settings", "--volume"}, "volume", "close", "2025", "--again", "2025", "--data", data, "--volume", "2025")

	// A name that nobody opened doesn't begin an empty log.
	mistyped := launch(t, "--data", data, "--volume", "2062", "--listen", "127.0.0.1:0", "--config", config)
	if code := mistyped.ended(); code != exitFailed || !strings.Contains(mistyped.err.String(), "no volume 2062, but 2025") || !strings.Contains(mistyped.err.String(), "volume open 2062") {
		t.Errorf("a volume that nobody opened: exit %d, %s", code, mistyped.err)
	}
	fails(t, exitUsage, []string{"--again 2026"}, "volume", "open", "2026", "--data", data)
	fails(t, exitFailed, []string{"one subject token"}, "volume", "open", "20.26", "--again", "20.26", "--data", data)
	if out := must(t, "volume", "open", "2026", "--again", "2026", "--data", data, "--config", config); !strings.Contains(out, "--volume 2026") {
		t.Error(out)
	}
	fails(t, exitFailed, []string{"2026 is there already"}, "volume", "open", "2026", "--again", "2026", "--data", data, "--config", config)
	s := newSite(t, "--data", data, "--volume", "2026", "--config", config)
	fails(t, exitFailed, []string{"runs on", "stop it"}, "volume", "open", "2027", "--again", "2027", "--data", data)
	s.set(noon)
	if _, err := s.scans(t.Context(), []map[string]any{collected("c-2", "TB000002", "P-7002", noon)}); err != nil {
		t.Fatal(err)
	}
	list := func() map[string]eventlog.Volume {
		out := map[string]eventlog.Volume{}
		for line := range strings.Lines(must(t, "volume", "list", "--json", "--data", data)) {
			var v eventlog.Volume
			if err := json.Unmarshal([]byte(line), &v); err != nil {
				t.Fatal(err)
			}
			out[v.Name] = v
		}
		return out
	}
	if got := list(); len(got) != 2 || got["2025"].Closed || got["2025"].Facts == 0 || !got["2026"].Writes {
		t.Errorf("%+v", got)
	}
	archive := filepath.Join(work, "2025")
	fails(t, exitFailed, []string{"2025 is open", "close it first"}, "volume", "archive", "2025", "--to", archive, "--data", data)
	must(t, "volume", "close", "2025", "--again", "2025", "--data", data)
	if out := must(t, "volume", "archive", "2025", "--to", archive, "--data", data); !strings.Contains(out, "read back and compared") {
		t.Error(out)
	}
	if out := must(t, "volume", "list", "--data", data); !strings.Contains(out, "closed") || !strings.Contains(out, "written") {
		t.Error(out)
	}
	whole := filepath.Join(work, "whole")
	must(t, "backup", "--to", whole, "--data", data)
	remove := []string{"volume", "remove", "2025", "--again", "2025", "--data", data, "--archive"}
	fails(t, exitFailed, []string{"no archive of 2025"}, append(remove, whole)...)
	damaged := copied(t, archive)
	truncated(t, filepath.Join(damaged, "CUSTODY_2025.stream"))
	fails(t, exitFailed, []string{"CUSTODY_2025.stream", "can't be used"}, append(remove, damaged)...)
	if got := list(); len(got) != 2 {
		t.Errorf("a volume went without its archive: %+v", got)
	}
	if out := must(t, append(remove, archive)...); !strings.Contains(out, "2025 is removed") {
		t.Error(out)
	}
	if got := list(); len(got) != 1 || !got["2026"].Writes {
		t.Errorf("%+v", got)
	}
	fails(t, exitFailed, []string{"no volume", "2025", "volume list"}, "volume", "close", "2025", "--again", "2025", "--data", data)
	// What was removed is remembered by a backup too.
	after := filepath.Join(work, "after")
	must(t, "backup", "--to", after, "--data", data)
	s.end()
	moved := filepath.Join(work, "moved")
	must(t, "restore", "--from", after, "--data", moved)
	for _, dir := range []string{data, moved} {
		d := launch(t, "--data", dir, "--volume", "2025", "--listen", "127.0.0.1:0", "--config", config)
		if code := d.ended(); code != exitFailed || !strings.Contains(d.err.String(), "archived and removed") {
			t.Errorf("a removed volume began anew: exit %d, %s", code, d.err)
		}
	}

	look := filepath.Join(work, "look")
	if out := must(t, "restore", "--from", archive, "--data", look); !strings.Contains(out, "--volume 2025") {
		t.Error(out)
	}
	again := newSite(t, "--data", look, "--volume", "2025", "--config", config)
	var tube map[string]any
	again.must("GET", "/v1/tubes/TB000001", nil, &tube)
	again.end()
}
