package app

import (
	"context"
	"net/http"
	"sync"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/web"
)

// people tells sign-in what the model knows of people and devices. Each request asks,
// so answers are kept until the log says something new of any.
type people struct {
	model *live.Model

	mu      sync.Mutex
	at      uint64 // of Model.Described
	roles   map[string]known
	devices map[string]auth.Enrolled
}

type known struct {
	roles  []event.RoleAt
	active bool
}

// fresh forgets what may be old. p.mu is held.
func (p *people) fresh() {
	if at := p.model.Described(); p.roles == nil || at != p.at {
		p.at, p.roles, p.devices = at, map[string]known{}, map[string]auth.Enrolled{}
	}
}

// Person implements auth.Directory.
func (p *people) Person(code string) ([]event.RoleAt, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fresh()
	if k, ok := p.roles[code]; ok {
		return k.roles, k.active
	}
	k := known{}
	if key, err := event.LocalKey(code); err == nil {
		p.model.World(func(w *custody.World) {
			if person, ok := w.Person(key); ok && person.Active {
				k.active = true
				if person.Role != "" {
					k.roles = append(k.roles, event.RoleAt{Role: person.Role})
				}
				k.roles = append(k.roles, person.Roles...)
			}
		})
	}
	if len(p.roles) < mostKept {
		p.roles[code] = k
	}
	return k.roles, k.active
}

// Device implements auth.Directory.
func (p *people) Device(id string) (auth.Enrolled, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fresh()
	if d, ok := p.devices[id]; ok {
		return d, d.ID != ""
	}
	d := auth.Enrolled{}
	if key, err := event.LocalKey(id); err == nil {
		p.model.World(func(w *custody.World) {
			if in, ok := w.Device(key); ok && in.Enrolled {
				d = auth.Enrolled{ID: in.Key.Label(), Kind: in.DeviceKind, Place: in.Place, KeyID: in.KeyID, PublicKey: in.PublicKey, Active: in.Active}
			}
		})
	}
	if len(p.devices) < mostKept {
		p.devices[id] = d
	}
	return d, d.ID != ""
}

// mostKept bounds answers about names that a caller may have made up.
const mostKept = 10_000

// openGate begins to follow who may come in. It is there also where nobody is asked, so
// that people and devices can be set up before.
func (a *App) openGate(run context.Context) *auth.Gate {
	p := a.parts
	g := auth.New(auth.Options{
		SignIn: p.Log.Shelf(eventlog.ShelfSignIn), Sessions: p.Log.Shelf(eventlog.ShelfSessions),
		Directory: &people{model: a.model}, Secret: p.Secret, Logger: p.Logger, Cost: p.PINCost,
		Now: func() time.Time { return p.Clock.Now().Time() },
	})
	a.part("sign-ins", func() error { return g.Run(run) })
	return g
}

// callGate is what the API asks of each call, nil where nobody is asked.
func (a *App) callGate() *api.Gate {
	if !a.parts.SignIn {
		return nil
	}
	return &api.Gate{Auth: a.gate, Secure: a.secure(), Restricted: a.model.Restricted}
}

func (a *App) secure() bool { return a.parts.TLS != nil }

// door is what the pages ask of who comes, nil where nobody is asked.
func (a *App) door(server *api.Server) *web.SignIn {
	if !a.parts.SignIn {
		return nil
	}
	in := &web.SignIn{
		Gate: a.gate, Cookie: api.SessionCookie(a.secure()), Carry: api.WithSession, Badge: server.BadgeNumber,
		Describe: func(ctx context.Context, code string) error {
			key, err := event.LocalKey(code)
			if err != nil {
				return &auth.FieldError{Field: "id", Say: err.Error()}
			}
			_, err = a.desk.Write(ctx, intake.Entry{
				ID: intake.NewID(), Target: custody.Target{Kind: event.KindPerson, Key: key}, By: code,
				Facts: []event.Fact{event.PersonDescribed{Role: event.RoleEngineer, Active: true}},
			})
			return err
		},
	}
	if a.parts.House != nil {
		in.House = auth.NewHouse(a.gate, *a.parts.House)
	}
	return in
}

// SetUpLink gives the path of a fresh link by which the first engineer comes in, "" when
// somebody can sign in already or nobody is asked to.
func (a *App) SetUpLink(ctx context.Context) (string, error) {
	if !a.parts.SignIn {
		return "", nil
	}
	if err := a.gate.Ready(ctx); err != nil {
		return "", err
	}
	if a.gate.Settled() {
		return "", nil
	}
	secret, err := a.gate.SetUpLink()
	return "/set-up/" + secret, err
}

// AnotherSetUpLink gives such a link although somebody can sign in: for those who are
// locked out and may read the data folder.
func (a *App) AnotherSetUpLink() (string, error) {
	secret, err := a.gate.SetUpLink()
	return "/set-up/" + secret, err
}

// onlyFor lets in machines and people by a rule, for what is neither page nor call.
func (a *App) onlyFor(rule auth.Rule, next http.Handler) http.Handler {
	if !a.parts.SignIn {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c := auth.Credentials{Session: api.SessionOf(r.Header.Get("Cookie"), a.secure()), Bearer: api.BearerOf(r.Header.Get("Authorization"))}
		p, err := a.gate.Look(r.Context(), c)
		if err == nil {
			err = rule.Check(p)
		}
		if err != nil {
			w.Header().Set("WWW-Authenticate", "Bearer")
			http.Error(w, err.Error(), http.StatusUnauthorized)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// metricsRule: what is counted names nobody and no tube, and still isn't for everybody.
var metricsRule = auth.Rule{Roles: []string{event.RoleEngineer}, Scopes: []auth.Scope{auth.ScopeMetrics}}
