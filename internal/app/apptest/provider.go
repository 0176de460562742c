package apptest

import (
	"context"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"testing"
)

// Provider is a sign-in of a house: an OpenID Connect provider of another hand, with
// accounts and a form for them, as a process of its own. The module tools/go.mod names it.
type Provider struct {
	*Process // nil until Start
	Issuer   string
	// ID and Secret are ours there.
	ID, Secret string

	tb                testing.TB
	port, users, back string
}

// ProviderPassword is that of all its accounts.
const ProviderPassword = "an invented pass phrase"

// NewProvider gives a provider that sends people back to an address and has accounts
// under these names. It doesn't run yet.
func NewProvider(tb testing.TB, back string, accounts ...string) *Provider {
	tb.Helper()
	_, port, err := net.SplitHostPort(FreePorts(tb, 1)[0])
	if err != nil {
		tb.Fatal(err)
	}
	type account struct{ ID, Username, Password, PreferredLanguage string }
	list := map[string]account{}
	for _, name := range accounts {
		list["sub-"+name] = account{"sub-" + name, name, ProviderPassword, "en"}
	}
	data, err := json.Marshal(list)
	if err != nil {
		tb.Fatal(err)
	}
	users := filepath.Join(tb.TempDir(), "accounts.json")
	if err := os.WriteFile(users, data, 0o600); err != nil {
		tb.Fatal(err)
	}
	// The program's own: its clients and that its issuer is localhost with a slash behind.
	return &Provider{tb: tb, Issuer: "http://localhost:" + port + "/", ID: "web", Secret: "secret", port: port, users: users, back: back}
}

// Start starts it, also after Kill, and waits until it answers.
func (p *Provider) Start() {
	p.tb.Helper()
	program := Tool(p.tb, "github.com/zitadel/oidc/v3/example/server")
	p.Process = start(p.tb, "env", "PORT="+p.port, "USERS_FILE="+p.users, "REDIRECT_URI="+p.back, program)
	Until(p.tb, "the house's sign-in answers", func(ctx context.Context) (bool, string) {
		var config struct{ Issuer string }
		if err := getJSON(ctx, p.Issuer+".well-known/openid-configuration", &config); err != nil {
			return false, err.Error()
		}
		return config.Issuer == p.Issuer, config.Issuer
	})
}
