package main

import (
	"flag"
	"fmt"
	"io"
	"os"

	"specimen.example/custody/internal/config"
)

// options are the options of the daemon or of a command, and the settings that come
// out of them: defaults, then --config, then what was given.
type options struct {
	*flag.FlagSet
	given config.Settings
	file  string
}

// newOptions declares the options that say which log is meant; the daemon and every
// command have them.
func newOptions(name string, stderr io.Writer) *options {
	s := config.Default()
	fs := &options{FlagSet: flag.NewFlagSet(name, flag.ContinueOnError), given: s}
	fs.SetOutput(stderr)
	fs.StringVar(&fs.file, "config", "", "read settings from a YAML `FILE`; flags win over it")
	fs.StringVar(&fs.given.Data, "data", s.Data, "`FOLDER` of the embedded store")
	fs.StringVar(&fs.given.NATS, "nats", s.NATS, "`URL` of an external cluster, as the user that may publish and read; empty means the embedded server")
	fs.StringVar(&fs.given.OperatorNATS, "operator-nats", s.OperatorNATS, "the same `URL` for the user that may create streams")
	fs.StringVar(&fs.given.Volume, "volume", s.Volume, "`PERIOD` of the log that is written to")
	fs.StringVar(&fs.given.KeyFile, "key-file", s.KeyFile, "`FILE` with the secret that encrypts the store at rest")
	return fs
}

// daemonOptions declares what only the daemon has.
func (fs *options) daemonOptions() {
	s := config.Default()
	fs.StringVar(&fs.given.Listen, "listen", s.Listen, "`ADDRESS` of gRPC, REST and pages; if port 8080 is taken a free one is used")
	fs.StringVar(&fs.given.Clock, "clock", s.Clock, "wall, or steered for rehearsals: the clock then moves only by PUT /v1/clock")
	fs.StringVar(&fs.given.Log, "log", s.Log, "least `LEVEL` that is written: debug, info, warn or error")
	fs.StringVar(&fs.given.Traces, "traces", s.Traces, "`URL` of an OpenTelemetry collector (OTLP over HTTP); empty sends no spans")
	fs.IntVar(&fs.given.LabelDPI, "label-dpi", s.LabelDPI, "`DOTS` to the inch of the site's label printers: 203, 300 or 600")
	fs.BoolVar(&fs.given.Demo, "demo", s.Demo, "show an invented scenario from a store of its own; loopback only")
}

// parse gives the daemon's settings.
func parse(args []string, stderr io.Writer) (config.Settings, error) {
	fs := newOptions("custodyd", stderr)
	fs.daemonOptions()
	fs.Usage = func() {
		_, _ = fmt.Fprint(stderr, `custodyd keeps the chain of custody of specimens and judges their stability.

  custodyd --demo                 show an invented scenario
  custodyd --data /var/lib/custody

Commands, for a log that is running or stopped; each tells more with --help:
`)
		for _, c := range commands {
			_, _ = fmt.Fprintf(stderr, "  custodyd %-8s %s\n", c.name, c.short)
		}
		_, _ = fmt.Fprint(stderr, "\nOptions:\n")
		fs.PrintDefaults()
	}
	if err := fs.Parse(args); err != nil {
		return fs.given, err
	}
	if fs.NArg() > 0 {
		return fs.given, fmt.Errorf("%q is not an option; see custodyd --help", fs.Arg(0))
	}
	return fs.settings()
}

// settings gives what the options say, checked. It is called after Parse.
func (fs *options) settings() (config.Settings, error) {
	s := config.Default()
	if fs.file != "" {
		f, err := os.Open(fs.file)
		if err != nil {
			return s, fmt.Errorf("config: %w", err)
		}
		defer func() { _ = f.Close() }()
		if err := s.Read(fs.file, f); err != nil {
			return s, fmt.Errorf("config: %w", err)
		}
	}
	fs.Visit(func(f *flag.Flag) {
		switch f.Name {
		case "data":
			s.Data = fs.given.Data
		case "listen":
			s.Listen = fs.given.Listen
		case "nats":
			s.NATS = fs.given.NATS
		case "operator-nats":
			s.OperatorNATS = fs.given.OperatorNATS
		case "volume":
			s.Volume = fs.given.Volume
		case "key-file":
			s.KeyFile = fs.given.KeyFile
		case "clock":
			s.Clock = fs.given.Clock
		case "log":
			s.Log = fs.given.Log
		case "traces":
			s.Traces = fs.given.Traces
		case "label-dpi":
			s.LabelDPI = fs.given.LabelDPI
		case "demo":
			s.Demo = fs.given.Demo
		}
	})
	return s, s.Check()
}
