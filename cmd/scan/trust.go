package main

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"regexp"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/app/rehearse"
)

// The variables that say what --token-file and --ca don't.
const (
	tokenVariable = "SCAN_TOKEN_FILE"
	caVariable    = "SCAN_CA"
)

// trust is whom this program shows itself to, and as whom; both are files.
type trust struct{ token, ca string }

// over gives what a connection to host needs, secure or in the clear.
func (t trust) over(host string, secure bool) (credentials.TransportCredentials, credentials.PerRPCCredentials, error) {
	var calls credentials.PerRPCCredentials
	if t.token != "" {
		if !secure && !loopback(host) {
			return nil, nil, usagef("--token-file: a token is sent to another machine over https only, or whoever hears it has it; write --server https://%s", host)
		}
		text, err := readToken(t.token)
		if err != nil {
			return nil, nil, err
		}
		calls = bearer{text, secure}
	}
	if !secure {
		// The variable may be set for good, and this machine is asked in between.
		if t.ca != "" && !loopback(host) {
			return nil, nil, usagef("--ca: it is for https; write --server https://%s", host)
		}
		return insecure.NewCredentials(), calls, nil
	}
	cfg := &tls.Config{MinVersion: tls.VersionTLS12}
	if t.ca != "" {
		data, err := os.ReadFile(t.ca)
		if err != nil {
			return nil, nil, usagef("--ca: %w", err)
		}
		cfg.RootCAs = x509.NewCertPool()
		if !cfg.RootCAs.AppendCertsFromPEM(data) {
			return nil, nil, usagef("--ca: %s holds no certificate in PEM; custodyd keeps the one it made as tls/certificate.pem in its data folder", t.ca)
		}
	}
	return credentials.NewTLS(cfg), calls, nil
}

// aToken is what may stand behind the word Bearer: RFC 6750, 2.1, b64token.
var aToken = regexp.MustCompile(`^[A-Za-z0-9._~+/-]+=*$`)

// readToken reads the file anew for each run, so that a new token needs no restart.
func readToken(file string) (string, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return "", usagef("--token-file: %w", err)
	}
	text := strings.TrimSpace(string(data))
	if !aToken.MatchString(text) {
		return "", usagef("--token-file: %s must hold one token and nothing else", file)
	}
	return text, nil
}

// bearer sends a token with every call.
type bearer struct {
	token  string
	secure bool // else it is for the loopback, where nobody else hears it
}

// GetRequestMetadata implements credentials.PerRPCCredentials.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.token}, nil
}

// RequireTransportSecurity implements credentials.PerRPCCredentials.
func (b bearer) RequireTransportSecurity() bool { return b.secure }

// refusedFor says what to do where the server wants to know who asks, or doesn't let
// them; "" for any other error.
func (t *tool) refusedFor(err error) string {
	said := ""
	if plain := rehearse.Plain(err); plain != nil {
		said = plain.Error()
	}
	switch status.Code(err) {
	case codes.Unauthenticated:
		if t.trust.token == "" {
			return fmt.Sprintf("scan: %s wants to know who asks (%s)\nhave a service token made there, keep it in a file that only you can read, and name the file with --token-file or %s", t.server, said, tokenVariable)
		}
		return fmt.Sprintf("scan: %s doesn't take the token in %s (%s)\nit is another server's, or it has ended or was revoked; have a new one made", t.server, t.trust.token, said)
	case codes.PermissionDenied:
		return fmt.Sprintf("scan: %s doesn't allow this (%s)\nask whoever looks after it for the right, or for a token that has it", t.server, said)
	}
	return ""
}

// distrust says what to do where two programs don't come together for a reason that
// trying again won't mend: a certificate, or the wrong scheme. "" for any other error.
func distrust(err error) string {
	text := status.Convert(err).Message()
	for _, c := range []struct{ sign, do string }{
		{"certificate signed by unknown authority", "give its certificate, or that of who signed it, with --ca or " + caVariable + "; custodyd keeps the one it made as tls/certificate.pem in its data folder"},
		{"certificate is not trusted", "give its certificate, or that of who signed it, with --ca or " + caVariable},
		{"x509: certificate is valid for", "write one of the names that the certificate holds after --server, or add this one to tls-names there"},
		{"x509: cannot validate certificate", "write one of the names that the certificate holds after --server, or add this one to tls-names there"},
		{"x509: certificate has expired", "compare the clocks; else a new certificate must be put in place there"},
		{"first record does not look like a TLS handshake", "it speaks plain http; write http:// if it is on this machine"},
		{"HTTP/1.x server", "it speaks https, or isn't custodyd; write https:// after --server"},
	} {
		if strings.Contains(text, c.sign) {
			return c.do
		}
	}
	return ""
}

// unreachable says what was tried and what to do.
func (t *tool) unreachable(err error) string {
	do := cmp.Or(distrust(err), "start custodyd there, or name another with --server or "+serverVariable)
	// A server that speaks TLS hangs up on plain HTTP/2; so does one that is ending.
	if strings.Contains(status.Convert(err).Message(), "server preface") {
		do = "if it speaks https, write https:// after --server; else " + do
	}
	return fmt.Sprintf("scan: %s gave no answer (%s)\n%s", t.server, why(err), do)
}
