package api_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/intake"
)

// caller is somebody who calls, with the words that stand in the table.
type caller struct {
	word string
	ctx  context.Context
}

// callers are everybody there can be: nobody, each role everywhere and at one place
// alone, a device without a person, a machine with each scope.
func callers(t *testing.T, a *app.App, log *memlog.Log) []caller {
	t.Helper()
	out := []caller{{"nobody", t.Context()}}
	describe := func(kind event.Kind, id string, fact event.Fact) {
		key, err := event.LocalKey(id)
		if err != nil {
			t.Fatal(err)
		}
		d := &event.Decision{
			Envelope: event.Envelope{ID: intake.NewID(), Kind: kind, Key: key, Occurred: event.At(noon), Recorded: event.At(noon), Mode: event.Reported},
			Facts:    []event.Fact{fact},
		}
		seq, err := log.Append(t.Context(), d, 0)
		if err != nil {
			t.Fatal(err)
		}
		a.Model().Written(d, seq)
	}
	for _, role := range event.Roles() {
		for _, place := range []string{"", "CLINIC"} {
			id, word := "P-"+role, role
			fact := event.PersonDescribed{Role: role, Active: true}
			if place != "" {
				id, word = id+"-here", role+"@"
				fact = event.PersonDescribed{Active: true, Roles: []event.RoleAt{{Role: role, Place: place}}}
			}
			describe(event.KindPerson, id, fact)
			badge := "BADGE-" + id
			if _, err := a.Gate().SetSignIn(t.Context(), auth.NewSignIn{Code: id, Badge: badge, PIN: "730581"}); err != nil {
				t.Fatal(err)
			}
			secret, _, err := a.Gate().ByBadge(t.Context(), badge, "730581", "", "", nil)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, caller{word, api.WithSession(t.Context(), secret)})
		}
	}
	screen, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	public, err := x509.MarshalPKIXPublicKey(&screen.PublicKey)
	if err != nil {
		t.Fatal(err)
	}
	describe(event.KindDevice, "SCREEN", event.DeviceEnrolled{DeviceKind: "wall", Active: true, KeyID: auth.KeyID(public), PublicKey: public})
	challenge, err := a.Gate().Challenge()
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte("sign-in " + challenge))
	r, s, err := ecdsa.Sign(rand.Reader, screen, sum[:])
	if err != nil {
		t.Fatal(err)
	}
	signature := make([]byte, 64)
	r.FillBytes(signature[:32])
	s.FillBytes(signature[32:])
	secret, _, err := a.Gate().ByDevice(t.Context(), auth.Proof{Device: "SCREEN", Challenge: challenge, Signature: signature}, "")
	if err != nil {
		t.Fatal(err)
	}
	out = append(out, caller{"device", api.WithSession(t.Context(), secret)})
	for _, scope := range auth.Scopes() {
		_, secret, err := a.Gate().MakeToken(t.Context(), auth.NewToken{Name: string(scope), Scopes: []auth.Scope{scope}, Days: 1, By: "lena"})
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, caller{":" + string(scope), metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+secret)})
	}
	return out
}

// spelt writes out the shorthands of the table.
func spelt(list string) []string {
	var out []string
	for word := range strings.FieldsSeq(list) {
		base, both := strings.CutSuffix(word, "+")
		roles := []string{base}
		if base == "all" {
			roles = event.Roles()
		}
		for _, role := range roles {
			out = append(out, role)
			if both {
				out = append(out, role+"@")
			}
		}
	}
	return out
}

// Every method by every caller, beside a table that was written by hand: a rule that is
// lost or loosened in the program must not be lost here too. role@ is the role at one
// place alone, :scope a machine.
func TestRoleMatrix(t *testing.T) {
	data, err := os.ReadFile("testdata/who.txt")
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]string{}
	for line := range strings.Lines(string(data)) {
		if name, list, ok := strings.Cut(strings.TrimSpace(line), " "); ok && !strings.HasPrefix(name, "#") {
			want[name] = spelt(list)
		}
	}
	log := memlog.New()
	a, err := app.Start(t.Context(), app.Parts{
		Log: log, Clock: app.SteeredClock(event.At(noon)), Secret: []byte("invented fixture"), Ring: identity.MemoryRing(app.WallClock().Now, rand.Reader),
		Logger: slog.New(slog.DiscardHandler), SignIn: true, PINCost: &auth.Cost{Passes: 1, Kibibytes: 64, Lanes: 1},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = a.Stop(context.Background()) })
	all := callers(t, a, log)
	d := &daemon{t: t, app: a, conn: a.Conn()}
	seen := map[string]bool{}
	for _, m := range methods(t) {
		name := fmt.Sprintf("%s/%s", m.desc.Parent().Name(), m.desc.Name())
		seen[name] = true
		var in []string
		for _, c := range all {
			req := m.base(t)
			if by := req.ProtoReflect().Descriptor().Fields().ByName("by"); by != nil {
				req.ProtoReflect().Clear(by) // whoever signed in
			}
			switch err := d.callAs(c.ctx, m, req); status.Code(err) {
			case codes.Unauthenticated:
				if c.word != "nobody" {
					t.Errorf("%s by %s: %v", name, c.word, err)
				}
			case codes.PermissionDenied:
				// A code that nobody made is refused alike; it let the caller in.
				if name == "SignIns/EnrolDevice" {
					in = append(in, c.word)
				}
			default:
				in = append(in, c.word)
			}
		}
		slices.Sort(in)
		slices.Sort(want[name])
		if !slices.Equal(in, want[name]) {
			t.Errorf("%s lets in\n  %s\nand the table says\n  %s", name, strings.Join(in, " "), strings.Join(want[name], " "))
		}
	}
	for name := range want {
		if !seen[name] {
			t.Errorf("the table speaks of %s, which is no method", name)
		}
	}
}
