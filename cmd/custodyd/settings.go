package main

import (
	"flag"
	"fmt"
	"io"
	"os"

	"specimen.example/custody/internal/config"
)

// parse gives the settings: defaults, then --config, then the other flags.
func parse(args []string, stderr io.Writer) (config.Settings, error) {
	s := config.Default()
	fs := flag.NewFlagSet("custodyd", flag.ContinueOnError)
	fs.SetOutput(stderr)
	var file string
	given := config.Default()
	fs.StringVar(&file, "config", "", "read settings from a YAML `FILE`; flags win over it")
	fs.StringVar(&given.Data, "data", s.Data, "`FOLDER` of the embedded store")
	fs.StringVar(&given.Listen, "listen", s.Listen, "`ADDRESS` of gRPC, REST and pages; if port 8080 is taken a free one is used")
	fs.StringVar(&given.NATS, "nats", s.NATS, "`URL` of an external cluster, as the user that may publish and read; empty means the embedded server")
	fs.StringVar(&given.OperatorNATS, "operator-nats", s.OperatorNATS, "the same `URL` for the user that may create streams")
	fs.StringVar(&given.Volume, "volume", s.Volume, "`PERIOD` of the log that is written to")
	fs.StringVar(&given.KeyFile, "key-file", s.KeyFile, "`FILE` with the secret that encrypts the store at rest")
	fs.StringVar(&given.Clock, "clock", s.Clock, "wall, or steered for rehearsals: the clock then moves only by PUT /v1/clock")
	fs.StringVar(&given.Log, "log", s.Log, "least `LEVEL` that is written: debug, info, warn or error")
	fs.BoolVar(&given.Demo, "demo", s.Demo, "show an invented scenario from a store of its own; loopback only")
	fs.Usage = func() {
		_, _ = fmt.Fprint(stderr, `custodyd keeps the chain of custody of specimens and judges their stability.

  custodyd --demo                 show an invented scenario
  custodyd --data /var/lib/custody

Options:
`)
		fs.PrintDefaults()
	}
	if err := fs.Parse(args); err != nil {
		return s, err
	}
	if fs.NArg() > 0 {
		return s, fmt.Errorf("%q is not an option; see custodyd --help", fs.Arg(0))
	}
	if file != "" {
		f, err := os.Open(file)
		if err != nil {
			return s, fmt.Errorf("config: %w", err)
		}
		defer func() { _ = f.Close() }()
		if err := s.Read(file, f); err != nil {
			return s, fmt.Errorf("config: %w", err)
		}
	}
	fs.Visit(func(f *flag.Flag) {
		switch f.Name {
		case "data":
			s.Data = given.Data
		case "listen":
			s.Listen = given.Listen
		case "nats":
			s.NATS = given.NATS
		case "operator-nats":
			s.OperatorNATS = given.OperatorNATS
		case "volume":
			s.Volume = given.Volume
		case "key-file":
			s.KeyFile = given.KeyFile
		case "clock":
			s.Clock = given.Clock
		case "log":
			s.Log = given.Log
		case "demo":
			s.Demo = given.Demo
		}
	})
	return s, s.Check()
}
