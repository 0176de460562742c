package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app/rehearse"
)

// The exit codes.
const (
	exitDone    = 0
	exitRefused = 1
	exitUsage   = 2
	exitUnsaved = 3
)

// serverVariable names the server where --server does not.
const serverVariable = "SCAN_SERVER"

const defaultServer = "http://127.0.0.1:8080"

// tool is one run of the program.
type tool struct {
	in        io.Reader
	out, errs io.Writer

	server  string
	trust   trust
	timeout time.Duration
	json    bool

	started bool // the command line was understood
	conn    *grpc.ClientConn
}

func (t *tool) command() *cobra.Command {
	root := &cobra.Command{
		Use:   "scan",
		Short: "Record scans of blood tubes and ask what is known of them",
		Long: `scan records scans of blood tubes and boxes, tells who holds a tube and whether
it is still good for its tests, and checks, adopts and rehearses limits.

Exit codes: 0 done, 1 refused or an expectation failed, 2 the command line is
wrong, 3 not saved or the server can't be reached.`,
		Example: `  scan record collect TB260301 --by mira --at WARD-N
  scan tube TB260301
  scan rehearse testdata/stories/*.story`,
		SilenceUsage: true, SilenceErrors: true,
		CompletionOptions: cobra.CompletionOptions{DisableDefaultCmd: true},
		RunE: func(cmd *cobra.Command, _ []string) error {
			return usagef("name a command; %q lists them", cmd.CommandPath()+" --help")
		},
		PersistentPreRun: func(*cobra.Command, []string) { t.started = true },
	}
	root.SetIn(t.in)
	root.SetOut(t.out)
	root.SetErr(t.errs)
	flags := root.PersistentFlags()
	flags.StringVar(&t.server, "server", cmp.Or(os.Getenv(serverVariable), defaultServer), "address of custodyd; the variable "+serverVariable+" says it too")
	flags.StringVar(&t.trust.token, "token-file", os.Getenv(tokenVariable), "file with a token that tells custodyd who asks; the variable "+tokenVariable+" says it too")
	flags.StringVar(&t.trust.ca, "ca", os.Getenv(caVariable), "file with the certificate to trust for https, in place of the system's; the variable "+caVariable+" says it too")
	flags.DurationVar(&t.timeout, "timeout", 15*time.Second, "how long to try")
	flags.BoolVar(&t.json, "json", false, "one JSON object a line, for programs")
	root.AddCommand(t.recordCommand(), t.tubeCommand(), t.carrierCommand(), t.flagsCommand(), t.takeFlagCommand(),
		t.labelCommand(), t.schemesCommand(),
		t.readingsCommand(), t.rulesCommand(), t.rehearseCommand(), t.completionCommand())
	return root
}

// coded is an error with its exit code. An empty message was printed already.
type coded struct {
	code int
	err  error
}

func (c coded) Error() string { return c.err.Error() }

func (c coded) Unwrap() error { return c.err }

func usagef(format string, args ...any) error { return coded{exitUsage, fmt.Errorf(format, args...)} }

// errTold ends a command whose trouble was printed where it belongs.
var errTold = errors.New("told already")

func told(code int) error { return coded{code, errTold} }

// exit prints what ended the command and gives the exit code.
func (t *tool) exit(err error) int {
	if err == nil {
		return exitDone
	}
	code := exitRefused
	var c coded
	switch {
	case errors.As(err, &c):
		code = c.code
	case !t.started:
		code = exitUsage
	case lost(err):
		code = exitUnsaved
	}
	switch {
	case errors.Is(err, errTold):
	case code == exitUnsaved && lost(err):
		t.sayf("%s", t.unreachable(err))
	case code == exitUsage:
		t.sayf("scan: %v\nsee: scan --help", err)
	case t.refusedFor(err) != "":
		t.sayf("%s", t.refusedFor(err))
	default:
		t.sayf("scan: %v", rehearse.Plain(err))
	}
	return code
}

// sayf prints a line for the person. Nobody can be told that it failed.
func (t *tool) sayf(format string, args ...any) { _, _ = fmt.Fprintf(t.errs, format+"\n", args...) }

// lost tells that the server didn't answer or couldn't save, from an answer that
// says no.
func lost(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled:
		return true
	}
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled)
}

// why is the last part of a connection's error, which says what happened.
func why(err error) string {
	st, ok := status.FromError(err)
	if !ok || st.Code() == codes.DeadlineExceeded {
		return "it took too long; try again, or with a longer --timeout"
	}
	text := st.Message()
	if !strings.Contains(text, "connection error") {
		return text
	}
	at := strings.LastIndex(text, ": ")
	return strings.Trim(text[at+1:], ` "`)
}

// dial opens the connection once. It waits for nothing: the first call does.
func (t *tool) dial() (*grpc.ClientConn, error) {
	if t.conn != nil {
		return t.conn, nil
	}
	target, opts, err := target(t.server, t.trust)
	if err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient(target, opts...)
	if err != nil {
		return nil, usagef("--server %s: %w", t.server, err)
	}
	t.conn = conn
	return conn, nil
}

// target reads a server's address. http goes without encryption, which is meant
// for the same machine; https is checked against the system's certificates, or the one
// that is given.
func target(server string, with trust) (string, []grpc.DialOption, error) {
	if !strings.Contains(server, "://") {
		server = "http://" + server
	}
	u, err := url.Parse(server)
	if err != nil || u.Hostname() == "" || strings.Trim(u.Path, "/") != "" {
		return "", nil, usagef("--server %q is no address; write for example %s", server, defaultServer)
	}
	port := u.Port()
	switch u.Scheme {
	case "http":
		port = cmp.Or(port, "80")
	case "https":
		port = cmp.Or(port, "443")
	default:
		return "", nil, usagef("--server %q must begin with http:// or https://", server)
	}
	creds, calls, err := with.over(u.Hostname(), u.Scheme == "https")
	if err != nil {
		return "", nil, err
	}
	opts := []grpc.DialOption{grpc.WithTransportCredentials(creds), grpc.WithConnectParams(grpc.ConnectParams{
		// A server that comes back within --timeout shall be found before it ends.
		Backoff: backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, MaxDelay: time.Second}, MinConnectTimeout: 5 * time.Second,
	})}
	if calls != nil {
		opts = append(opts, grpc.WithPerRPCCredentials(calls))
	}
	if loopback(u.Hostname()) {
		opts = append(opts, grpc.WithNoProxy())
	}
	return "dns:///" + net.JoinHostPort(u.Hostname(), port), opts, nil
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

func (t *tool) close() {
	if t.conn != nil {
		_ = t.conn.Close() // the program ends here anyway
	}
}

// within bounds one question to the server.
func (t *tool) within(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, t.timeout)
}

// exactly wants a number of arguments and says which.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) != n {
			return usagef("write %s", what)
		}
		return nil
	}
}

// some wants at least one argument.
func some(what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) == 0 {
			return usagef("write %s", what)
		}
		return nil
	}
}

func (t *tool) completionCommand() *cobra.Command {
	shells := []string{"bash", "zsh", "fish", "powershell"}
	return &cobra.Command{
		Use:       "completion SHELL",
		Short:     "Print the script that completes scan's words in a shell",
		Long:      "Print the script that completes scan's words in bash, zsh, fish or powershell.",
		Example:   "  source <(scan completion bash)",
		ValidArgs: shells,
		Args:      exactly(1, "one shell: "+strings.Join(shells, ", ")),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch root := cmd.Root(); args[0] {
			case "bash":
				return root.GenBashCompletionV2(t.out, true)
			case "zsh":
				return root.GenZshCompletion(t.out)
			case "fish":
				return root.GenFishCompletion(t.out, true)
			case "powershell":
				return root.GenPowerShellCompletionWithDesc(t.out)
			default:
				return usagef("%q is no shell that scan knows; write one of %s", args[0], strings.Join(shells, ", "))
			}
		},
	}
}
