package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

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
	fs.StringVar(&fs.given.NATSLoginFile, "nats-login-file", s.NATSLoginFile, "`FILE` with user:password for --nats")
	fs.StringVar(&fs.given.OperatorLoginFile, "operator-login-file", s.OperatorLoginFile, "`FILE` with user:password for --operator-nats")
	fs.StringVar(&fs.given.Volume, "volume", s.Volume, "`PERIOD` of the log that is written to")
	fs.StringVar(&fs.given.KeyFile, "key-file", s.KeyFile, "`FILE` with the secret that encrypts the store at rest")
	return fs
}

// daemonOptions declares what only the daemon has.
func (fs *options) daemonOptions() {
	s := config.Default()
	fs.StringVar(&fs.given.Listen, "listen", s.Listen, "`ADDRESS` of gRPC, REST and pages; if port 8080 is taken a free one is used")
	fs.StringVar(&fs.given.TLSCert, "tls-cert", s.TLSCert, "`FILE` with the certificate to show, in PEM; without it one is made where TLS is needed, everywhere but on the loopback")
	fs.StringVar(&fs.given.TLSKey, "tls-key", s.TLSKey, "`FILE` with its key")
	fs.StringVar(&fs.given.TLSNames, "tls-names", s.TLSNames, "more host `NAMES` and addresses for the certificate that is made, with commas between")
	fs.StringVar(&fs.given.SignIn, "sign-in", s.SignIn, "`WHETHER` people sign in: on or off; off is for the loopback alone, and so are --demo and --clock steered")
	fs.StringVar(&fs.given.PublicURL, "public-url", s.PublicURL, "`URL` by which browsers reach this daemon, for the house's own sign-in")
	fs.StringVar(&fs.given.OIDCIssuer, "oidc-issuer", s.OIDCIssuer, "`URL` of the house's own sign-in (OpenID Connect); empty: there is none")
	fs.StringVar(&fs.given.OIDCClient, "oidc-client", s.OIDCClient, "our `ID` there")
	fs.StringVar(&fs.given.OIDCSecretFile, "oidc-secret-file", s.OIDCSecretFile, "`FILE` with our secret there")
	fs.StringVar(&fs.given.OIDCClaim, "oidc-claim", s.OIDCClaim, "`CLAIM` that names a person's account; empty: sub, which no two ever share")
	fs.Float64Var(&fs.given.SnapshotMinutes, "snapshot-minutes", s.SnapshotMinutes, "write a snapshot of what the log says every so many `MINUTES` while anything happens; 0: only at a clean stop")
	fs.IntVar(&fs.given.IdentityKeepDays, "identity-keep-days", s.IdentityKeepDays, "how many `DAYS` old a backup may be to be readable for identity")
	fs.StringVar(&fs.given.Clock, "clock", s.Clock, "wall, or steered for rehearsals: the clock then moves only by PUT /v1/clock")
	fs.StringVar(&fs.given.Log, "log", s.Log, "least `LEVEL` that is written: debug, info, warn or error")
	fs.StringVar(&fs.given.IdentityKeys, "identity-keys", s.IdentityKeys, "`FILE` of the keys that wrap the patients' keys; empty means identity.keys in the data folder")
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
	given := map[string]string{}
	fs.Visit(func(f *flag.Flag) { given[f.Name] = f.Value.String() })
	fs.given = config.Default()
	if fs.file != "" {
		f, err := os.Open(fs.file)
		if err != nil {
			return fs.given, fmt.Errorf("config: %w", err)
		}
		defer func() { _ = f.Close() }()
		if err := fs.given.Read(fs.file, f); err != nil {
			return fs.given, fmt.Errorf("config: %w", err)
		}
	}
	// Said again, the options win over the file.
	for name, value := range given {
		if err := fs.Set(name, value); err != nil {
			return fs.given, fmt.Errorf("%s: %w", name, err)
		}
	}
	for name, more := range map[string]string{"nats": "--nats-login-file", "operator-nats": "--operator-login-file"} {
		if hasPassword(given[name]) {
			_, _ = fmt.Fprintf(fs.Output(), "custodyd: warning: whoever lists the processes of this machine sees the password in --%s; put user:password into a file and give it with %s\n", name, more)
		}
	}
	return fs.given, fs.given.Check()
}

// hasPassword tells whether an address in a list of them holds one.
func hasPassword(addresses string) bool {
	for one := range strings.SplitSeq(addresses, ",") {
		_, rest, ok := strings.Cut(one, "://")
		if !ok {
			rest = one
		}
		if login, _, ok := strings.Cut(rest, "@"); ok && strings.Contains(login, ":") {
			return true
		}
	}
	return false
}
