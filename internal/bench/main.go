// Command bench measures what the product promises to be fast at, each beside
// the bare thing it is built on and in the same run: durable scans beside raw
// publishes and beside a relational database, the time from a reading to a flag
// beside the bare log, the price of a judgement, a request's time with and without
// sign-in, readings by stream and by call beside the bare log and what they do to scans,
// a start's reading of them beside a raw read, the tests that are lost before the
// centrifuges by the order of loading, and the ageing clocks beside the naive loop. It
// decides nothing; it prints one table and keeps it in .bench/latest.json, so that the next
// run can say what moved; rows of parts that it left out stay there. Machines differ and
// are shared, so a missed target is printed and is no failure. What is counted is exact: a
// counter of the clocks that is wrong fails the run, and so does a reading that isn't flat
// in the number of tubes.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"runtime/pprof"
	"slices"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/app"
)

// settings of one run.
type settings struct {
	callers []int         // of the durable scans
	systems []string      // of the durable scans that run; empty: all
	rounds  int           // per system and number of callers; the median is shown
	round   time.Duration // length of a round
	flags   time.Duration // length of each reading-to-flag measurement
	replay  int           // readings of a bulk replay
	tubes   []int         // of the ageing clocks, ascending
	country countrySettings
	tell    func(string, ...any)
}

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run() (err error) {
	s := settings{tell: func(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) }}
	only := flag.String("only", "scans,flags,judge,sign-in,spins,desks,pages,readings,replay,engine", "which parts to run; country, a log of a million tubes, takes long and runs only when it is named")
	callers := flag.String("callers", "1,16,64,256", "callers of the durable scans")
	systems := flag.String("systems", "", "which systems of the durable scans to run, for a profile of one: scan, raw batch, raw single, PostgreSQL row; empty: all")
	out := flag.String("out", ".bench/latest.json", "file to keep the result in and to compare with; empty: none")
	profile := flag.String("cpuprofile", "", "write a CPU profile to this file")
	flag.IntVar(&s.rounds, "rounds", 3, "rounds per system")
	flag.DurationVar(&s.round, "round", 2500*time.Millisecond, "length of a round")
	flag.DurationVar(&s.flags, "flags", 10*time.Second, "length of a reading-to-flag measurement")
	flag.IntVar(&s.replay, "replay", 200_000, "readings of a bulk replay")
	tubes := flag.String("clock-tubes", "10000,100000,1000000", "tubes of the ageing clocks, multiples of 5000, from few to many; 5000000 takes a few minutes and 5 GB more")
	s.country.flags()
	flag.Parse()
	if s.callers, err = numbers("callers", *callers); err != nil {
		return err
	}
	if s.tubes, err = numbers("clock-tubes", *tubes); err != nil {
		return err
	}
	if *systems != "" {
		s.systems = strings.Split(*systems, ",")
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if *profile != "" {
		f, err := os.Create(*profile)
		if err != nil {
			return err
		}
		defer f.Close()
		if err := pprof.StartCPUProfile(f); err != nil {
			return err
		}
		defer pprof.StopCPUProfile()
	}
	if s.country.program, err = os.Executable(); err != nil {
		return err
	}
	app.TuneMemory() // for everything that is measured here
	t := newTable()
	for _, part := range []struct {
		name string
		run  func(context.Context, *settings, *table) error
	}{{"judge", judging}, {"scans", scans}, {"flags", readingToFlag}, {"sign-in", signingIn}, {"spins", spinOrder}, {"desks", twoDesks}, {"pages", pagesUnderLoad}, {"readings", readingsIn}, {"replay", replay}, {"engine", engineClocks}, {"country", country}} {
		if !slices.Contains(strings.Split(*only, ","), part.name) {
			continue
		}
		if err := part.run(ctx, &s, t); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
	}
	t.end()
	if *out != "" {
		if err := t.compare(*out); err != nil {
			return err
		}
	}
	t.print(os.Stdout)
	if *out != "" {
		if err := t.save(*out); err != nil {
			return err
		}
	}
	if n := len(t.Faults); n > 0 {
		return fmt.Errorf("%d faults, see the end of the table", n)
	}
	return nil
}

// numbers reads a list of numbers above 0.
func numbers(name, text string) (all []int, err error) {
	for part := range strings.SplitSeq(text, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(part))
		if err != nil || n < 1 {
			return nil, fmt.Errorf("-%s: %q is no number from 1 on; give a list as 1,16,64", name, part)
		}
		all = append(all, n)
	}
	return all, nil
}
