package eventlog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// leaseStream has no volume, as the shelves have none.
const leaseStream = "LEASE"

// sessionsKept is how long a session's record is kept at most.
const sessionsKept = 24 * time.Hour

// withoutVolume reports whether a stream is one of ours that belongs to no volume.
func withoutVolume(stream string) bool {
	return stream == leaseStream || isShelf(stream)
}

func isShelf(stream string) bool { return slices.Contains(Shelves(), ShelfName(stream)) }

func custodyStream(volume string) string  { return "CUSTODY_" + volume }
func readingsStream(volume string) string { return "READINGS_" + volume }

// factStream is the setting of a stream that holds facts: it never removes
// anything, and when it is full it says so instead of making room.
//
// Only a stream with one copy is compressed. A server of a cluster that is started
// again after a kill cuts its copy back to where its Raft log begins, and nats-server
// 2.15.2 can't read a compressed block any more that it has just cut ("smb.truncate:
// s2: unsupported input"): that copy stays out until the server is started once more.
func factStream(name, subjects string, maxBytes int64, replicas int) jetstream.StreamConfig {
	compression := jetstream.S2Compression
	if replicas > 1 {
		compression = jetstream.NoCompression
	}
	return jetstream.StreamConfig{
		Name: name, Subjects: []string{subjects},
		Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardNew,
		MaxBytes: maxBytes, MaxMsgs: -1, MaxMsgsPerSubject: -1, MaxConsumers: -1, Replicas: replicas,
		DenyDelete: true, DenyPurge: true, AllowDirect: true, AllowAtomicPublish: true,
		Compression: compression,
	}
}

// leases live in memory: a lease that a restart forgets is a lease given back.
func leases(replicas int) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: leaseStream, Subjects: []string{"lease.>"}, Storage: jetstream.MemoryStorage, MaxMsgsPerSubject: 1,
		MaxAge: LeaseTime, MaxBytes: 1 << 20, Replicas: replicas, AllowDirect: true, Duplicates: time.Second,
	}
}

// losing lists, in words, every live setting by which a stream of facts could
// lose or change one.
func losing(cfg jetstream.StreamConfig) []string {
	var why []string
	say := func(bad bool, format string, args ...any) {
		if bad {
			why = append(why, fmt.Sprintf(format, args...))
		}
	}
	say(cfg.Discard != jetstream.DiscardNew, "discard is %q: old facts would be removed to make room; it must be \"new\"", cfg.Discard)
	say(cfg.MaxAge != 0, "max_age is %s: facts would be removed when they are older", cfg.MaxAge)
	say(cfg.MaxMsgs > 0, "max_msgs is %d: a limit on the number of facts", cfg.MaxMsgs)
	say(cfg.MaxMsgsPerSubject > 0, "max_msgs_per_subject is %d: the history of one tube would be cut", cfg.MaxMsgsPerSubject)
	say(cfg.Retention != jetstream.LimitsPolicy, "retention is %q: facts would be removed once read; it must be \"limits\"", cfg.Retention)
	say(cfg.Storage != jetstream.FileStorage, "storage is %q: facts would not survive a restart; it must be \"file\"", cfg.Storage)
	say(!cfg.DenyDelete, "deny_delete is off: single facts could be deleted")
	say(!cfg.DenyPurge, "deny_purge is off: the stream could be emptied")
	say(cfg.AllowRollup, "allow_rollup_hdrs is on: one message could replace all before it")
	say(cfg.AllowMsgTTL, "allow_msg_ttl is on: a message could carry its own end")
	say(cfg.AllowMsgSchedules, "allow_msg_schedules is on: it opens the stream to purges")
	say(cfg.PersistMode != jetstream.DefaultPersistMode, "persist_mode is not the default: acknowledged facts could be lost at a power cut")
	say(cfg.NoAck, "no_ack is on: nobody would know whether a fact was stored")
	say(cfg.SubjectTransform != nil, "a subject transform is set: expectations would be checked against another subject")
	say(!cfg.AllowAtomicPublish, "allow_atomic is off: group commits would be refused")
	return why
}

// ensureStreams creates what a new data directory lacks and refuses what could
// lose facts. known says whether a stream existed here before.
func ensureStreams(ctx context.Context, js jetstream.JetStream, volume string, maxBytes, maxShelf int64, replicas int, known func(string) bool) error {
	facts := []jetstream.StreamConfig{
		factStream(custodyStream(volume), "custody."+volume+".>", maxBytes, replicas),
		factStream(readingsStream(volume), "readings."+volume+".>", maxBytes, replicas),
	}
	for _, name := range Shelves() {
		facts = append(facts, shelfStream(name, replicas, maxShelf))
	}
	for _, want := range append(facts, leases(replicas)) {
		live, err := js.Stream(ctx, want.Name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			if known(want.Name) && want.Name != leaseStream {
				return &MissingError{Stream: want.Name}
			}
			if _, err := js.CreateStream(ctx, want); err != nil {
				if gathering(err) && !unsettled(err) {
					return fmt.Errorf("eventlog: create stream %s with %d copies: too few servers of the cluster run; start the others: %w", want.Name, want.Replicas, err)
				}
				return fmt.Errorf("eventlog: create stream %s: %w", want.Name, err)
			}
			continue
		}
		if err != nil {
			return fmt.Errorf("eventlog: look at stream %s: %w", want.Name, err)
		}
		if withoutVolume(want.Name) {
			continue
		}
		cfg := live.CachedInfo().Config
		if cfg.Sealed {
			return fmt.Errorf("eventlog: the volume %s is closed (stream %s takes nothing more); write another one with --volume", volume, want.Name)
		}
		if why := losing(cfg); len(why) != 0 {
			return &LosingError{Stream: want.Name, Reasons: why}
		}
		if cfg.MaxBytes < want.MaxBytes {
			cfg.MaxBytes = want.MaxBytes
			if _, err := js.UpdateStream(ctx, cfg); err != nil {
				return fmt.Errorf("eventlog: raise the limit of stream %s: %w", want.Name, err)
			}
		}
	}
	return nil
}
