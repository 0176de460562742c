package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/config"
	"specimen.example/custody/internal/eventlog"
)

// healthy is a ward where nothing is to be done; all of it is invented.
func healthy() *ward {
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	end := eventlog.Position{Custody: 100, Readings: 10}
	return &ward{
		settings: config.Settings{Data: "data", Volume: "2026"},
		inspection: eventlog.Inspection{
			Embedded: true, Writes: "2026", StoreBytes: 1 << 20, StoreLimit: 10 << 30,
			Streams: []eventlog.Stream{
				{Name: "CUSTODY_2026", Volume: "2026", First: 1, Last: 100, Messages: 100, Bytes: 1 << 20, MaxBytes: 4 << 30, Replicas: 1},
				{Name: "READINGS_2026", Volume: "2026", First: 1, Last: 10, Messages: 10, MaxBytes: 4 << 30, Replicas: 1},
				{Name: "KEYS", First: 3, Last: 9, Messages: 4, MaxBytes: 1 << 30, Replicas: 1}, // keys are erased on purpose
				{Name: "LEASE", First: 7, Last: 7, Messages: 1, Bytes: 900 << 10, MaxBytes: 1 << 20, Replicas: 1},
			},
		},
		running:  &running{Started: now.Add(-time.Hour), Ready: true, Leading: true, Read: end, End: end},
		machine:  machine{disk: &diskRoom{free: 50 << 30, total: 100 << 30}, clock: &clockKeeping{kept: true, errorMs: 20}, memory: 8 << 30},
		folder:   0o700,
		secret:   "data/index.key",
		secretIs: 0o600,
		backup:   &lastBackup{Made: now.Add(-20 * time.Hour), To: "elsewhere"}, backupAge: 48 * time.Hour, now: now,
		limit: 2 << 30,
	}
}

// clustered is the same on three servers, looked at through a daemon's door.
func clustered() *ward {
	w := healthy()
	w.inspection.Embedded, w.inspection.StoreLimit = false, 0
	w.inspection.Clocks = []eventlog.Offset{{Server: "n1", AheadMs: 3, WithinMs: 4}}
	for i := range w.inspection.Streams {
		s := &w.inspection.Streams[i]
		s.Replicas, s.Leader = 3, "n1"
		s.Peers = []eventlog.Peer{{Name: "n2", Current: true}, {Name: "n3", Current: true}}
	}
	return w
}

// Each ward has one thing wrong, and only the check that is about it says so, naming
// what was found and what to do.
func TestDoctorFindsEachFault(t *testing.T) {
	stream := func(i int, f func(s *eventlog.Stream)) func(*ward) {
		return func(w *ward) { f(&w.inspection.Streams[i]) }
	}
	for name, tc := range map[string]struct {
		from  func() *ward
		do    func(*ward)
		check string
		state string
		say   []string
	}{
		"all is well":            {healthy, func(*ward) {}, "", "", nil},
		"all is well on three":   {clustered, func(*ward) {}, "", "", nil},
		"no daemon's readiness":  {healthy, func(w *ward) { w.running.Ready = false }, "daemon", isToDo, []string{"wait"}},
		"a missing stream":       {healthy, func(w *ward) { w.inspection.Missing = []string{"KEYS"} }, "streams", isToDo, []string{"KEYS", "--key-file", "restore"}},
		"somebody else's stream": {healthy, func(w *ward) { w.inspection.Unknown = []string{"MINE"} }, "streams", isToDo, []string{"MINE"}},
		"others on a cluster":    {clustered, func(w *ward) { w.inspection.Unknown = []string{"MINE"} }, "", "", nil},
		"settings that lose":     {healthy, stream(0, func(s *eventlog.Stream) { s.Losing = []string{"max_age is 1h"} }), "settings", isToDo, []string{"CUSTODY_2026", "max_age"}},
		"a hole":                 {healthy, stream(0, func(s *eventlog.Stream) { s.Messages = 98 }), "facts", isToDo, []string{"CUSTODY_2026", "2 messages", "restore"}},
		"lost by the server":     {healthy, stream(1, func(s *eventlog.Stream) { s.Lost = 3 }), "facts", isToDo, []string{"READINGS_2026", "3 lost"}},
		"a closed volume":        {healthy, func(w *ward) { w.inspection.Streams[0].Closed, w.inspection.Streams[1].Closed = true, true }, "volumes", isToDo, []string{"2026", "closed", "--volume"}},
		"two open volumes": {healthy, func(w *ward) {
			w.inspection.Streams = append(w.inspection.Streams, eventlog.Stream{Name: "CUSTODY_2025", Volume: "2025", First: 1, Last: 1, Messages: 1})
		}, "volumes", isToDo, []string{"2025", "volume close"}},
		"a copy offline":  {clustered, stream(0, func(s *eventlog.Stream) { s.Peers[1] = eventlog.Peer{Name: "n3", Offline: true} }), "copies", isToDo, []string{"n3 is offline"}},
		"a copy behind":   {clustered, stream(1, func(s *eventlog.Stream) { s.Peers[0] = eventlog.Peer{Name: "n2", Lag: 77} }), "copies", isToDo, []string{"n2 is 77 behind"}},
		"a copy too few":  {clustered, stream(0, func(s *eventlog.Stream) { s.Peers = s.Peers[:1] }), "copies", isToDo, []string{"2 of 3"}},
		"no leader":       {clustered, stream(2, func(s *eventlog.Stream) { s.Leader = "" }), "copies", isToDo, []string{"KEYS", "no leader"}},
		"set to one copy": {clustered, stream(0, func(s *eventlog.Stream) { s.Replicas = 1; s.Peers = nil }), "copies", isToDo, []string{"set to 1 copies"}},
		"not read": {healthy, func(w *ward) {
			w.running.Read.Custody = 50
			w.later = &running{Read: eventlog.Position{Custody: 99, Readings: 10}}
		}, "read", isToDo, []string{"99", "100"}},
		"read a moment on": {healthy, func(w *ward) {
			w.running.Read.Custody = 50
			w.later = &running{Read: eventlog.Position{Custody: 100, Readings: 10}}
		}, "", "", nil},
		"an unreadable one": {healthy, func(w *ward) {
			w.running.Unread = []unreadable{{"CUSTODY_2026", 7, "custody.2026.tube.L-X", "schema 9"}}
		}, "unreadable", isToDo, []string{"7", "custody.2026.tube.L-X", "schema 9"}},
		"a server's clock":         {clustered, func(w *ward) { w.inspection.Clocks[0].AheadMs = -5000 }, "clock", isToDo, []string{"n1", "-5000", "time service"}},
		"a clock just within":      {clustered, func(w *ward) { w.inspection.Clocks[0].AheadMs = 1004 }, "", "", nil},
		"a clock just over":        {clustered, func(w *ward) { w.inspection.Clocks[0].AheadMs = 1005 }, "clock", isToDo, []string{"1005"}},
		"nobody keeps the clock":   {healthy, func(w *ward) { w.machine.clock.kept = false }, "clock", isUnknown, []string{"no time service"}},
		"a clock that drifts":      {healthy, func(w *ward) { w.machine.clock.errorMs = 1001 }, "clock", isToDo, []string{"1001"}},
		"a full stream":            {healthy, stream(0, func(s *eventlog.Stream) { s.Bytes = 4 << 30 / 100 * 80 }), "room", isToDo, []string{"CUSTODY_2026", "max-bytes"}},
		"a nearly full one":        {healthy, stream(0, func(s *eventlog.Stream) { s.Bytes = 4<<30/100*80 - 1 }), "", "", nil},
		"a full store":             {healthy, func(w *ward) { w.inspection.StoreBytes = 9 << 30 }, "room", isToDo, []string{"the store", "max-store"}},
		"a small disk":             {healthy, func(w *ward) { w.machine.disk.free = 14 << 30 }, "disk", isToDo, []string{"14.0 GiB", "max-store"}},
		"a disk just large enough": {healthy, func(w *ward) { w.machine.disk.free = 10<<30 - 1<<20 + 5<<30 }, "", "", nil},
		"no secret":                {healthy, func(w *ward) { w.secretIs = 0 }, "secret", isToDo, []string{"index.key", "missing"}},
		"an open secret":           {healthy, func(w *ward) { w.secretIs = 0o640 }, "secret", isToDo, []string{"0640", "chmod 600"}},
		"an open folder":           {healthy, func(w *ward) { w.folder = 0o755 }, "secret", isToDo, []string{"0755", "chmod 700"}},
		"a certificate that ends":  {healthy, func(w *ward) { w.settings.TLSCert, w.ends = "tls.crt", w.now.Add(30*24*time.Hour-1) }, "certificate", isToDo, []string{"tls.crt", "2026-12-25", "tls-key"}},
		"a certificate of 30 days": {healthy, func(w *ward) { w.settings.TLSCert, w.ends = "tls.crt", w.now.Add(30*24*time.Hour) }, "", "", nil},
		"a certificate unseen":     {healthy, func(w *ward) { w.settings.TLSCert = "tls.crt" }, "certificate", isUnknown, []string{"tls.crt"}},
		"no memory limit":          {healthy, func(w *ward) { w.limit = 0 }, "memory", isToDo, []string{"GOMEMLIMIT"}},
		"little memory":            {healthy, func(w *ward) { w.machine.memory = 2 << 30 }, "memory", isToDo, []string{"2.0 GiB", "memory-limit"}},
		"an old backup":            {healthy, func(w *ward) { w.backup.Made = w.now.Add(-48*time.Hour - 1) }, "backup", isToDo, []string{"elsewhere", "custodyd backup"}},
		"a backup of 48 h":         {healthy, func(w *ward) { w.backup.Made = w.now.Add(-48 * time.Hour) }, "", "", nil},
		"no backup":                {healthy, func(w *ward) { w.backup = nil }, "backup", isToDo, []string{"none", "custodyd backup"}},
		"none asked for":           {healthy, func(w *ward) { w.backup, w.backupAge = nil, 0 }, "", "", nil},
	} {
		t.Run(name, func(t *testing.T) {
			w := tc.from()
			if !w.inspection.Embedded {
				// Looked at through a door: the disk is that of other machines.
				w.machine.disk = &diskRoom{free: 50 << 30, total: 100 << 30}
			}
			tc.do(w)
			var said []check
			for _, c := range w.checks() {
				if c.State != isOK {
					said = append(said, c)
				}
			}
			if tc.check == "" {
				if len(said) != 0 {
					t.Errorf("nothing is wrong, and it says %+v", said)
				}
				return
			}
			if len(said) != 1 || said[0].Check != tc.check || said[0].State != tc.state {
				t.Fatalf("it says %+v, want one %s: %s", said, tc.check, tc.state)
			}
			if said[0].Wanted == "" || said[0].Remedy == "" {
				t.Errorf("it doesn't say what is wanted and what to do: %+v", said[0])
			}
			for _, word := range tc.say {
				if !strings.Contains(fmt.Sprint(said[0]), word) {
					t.Errorf("%q is not in %+v", word, said[0])
				}
			}
		})
	}
}

// Looked at by --nats, what can't be seen is said to be unknown, never fine.
func TestDoctorSaysWhatItCantSee(t *testing.T) {
	w := clustered()
	w.cluster, w.running, w.inspection.Writes = true, nil, ""
	w.machine.disk, w.machine.clock, w.folder, w.backup = nil, nil, 0, nil
	w.secret = "cluster.key"
	unknown := map[string]bool{}
	for _, c := range w.checks() {
		if c.State == isToDo {
			t.Errorf("%+v", c)
		}
		if c.State == isUnknown {
			unknown[c.Check] = true
			if c.Remedy == "" {
				t.Errorf("%+v doesn't say where to look", c)
			}
		}
	}
	for _, name := range []string{"daemon", "read", "unreadable", "clock", "disk", "memory", "backup"} {
		if !unknown[name] {
			t.Errorf("%s can't be seen from here, and it doesn't say so", name)
		}
	}
}
