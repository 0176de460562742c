package web

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
)

// Errors by which a HouseSource says that something can't be done here at all.
var (
	// ErrNotAllowed says that whoever asked may not do this.
	ErrNotAllowed = errors.New("your role doesn't allow this")
	// ErrNotHere says that this daemon was started without the part that would do it.
	ErrNotHere = errors.New("this daemon runs without that part")
)

// HouseSource tells how the house is set up, and declares it anew. Whoever acts is the
// context's; By names them where nobody is signed in. Its methods answer HouseRefused
// for what is wrong with a field, ErrNotSaved when nothing is promised, ErrNotReady while
// the log is being read, ErrNotFound, ErrNotAllowed and ErrNotHere. A method that
// declares gives the number by which the thing is found from now on.
type HouseSource interface {
	// House gives all that is declared, each list by number.
	House(ctx context.Context) (House, error)
	DeclarePlace(ctx context.Context, p HousePlace, by string) (id string, err error)
	DeclareCarrier(ctx context.Context, c HouseCarrier, by string) (id string, err error)
	DeclareLogger(ctx context.Context, l HouseLogger, by string) (id string, err error)
	DeclareRoute(ctx context.Context, r HouseRoute, by string) (id string, err error)
	DeclarePerson(ctx context.Context, p HousePerson, by string) (id string, err error)
	DeclareDevice(ctx context.Context, d HouseDevice, by string) (id string, err error)
	// DeclareSchemes puts all number schemes in force, or only looks at them. Warnings
	// say how a damaged read could be another number.
	DeclareSchemes(ctx context.Context, schemes []label.Scheme, dry bool, by string) (warnings []string, err error)
	// DeclareProgrammes puts all spin programmes in force.
	DeclareProgrammes(ctx context.Context, all []HouseProgramme, by string) error
	// SignIn says how a person can sign in.
	SignIn(ctx context.Context, person string) (HouseSignIn, error)
	// SetSignIn sets how a person signs in; what is empty stays as it was.
	SetSignIn(ctx context.Context, person string, s HouseSecrets, by string) error
	// ReleaseLock lets a person try again.
	ReleaseLock(ctx context.Context, person, by string) error
	// InviteDevice makes a code by which a device enrols itself, once.
	InviteDevice(ctx context.Context, device, by string) (HouseInvitation, error)
	// Tokens gives those of machines, the newest first.
	Tokens(ctx context.Context) ([]HouseToken, error)
	// MakeToken makes a token and gives its secret, which nobody can be told again.
	MakeToken(ctx context.Context, t HouseToken, days int64, by string) (made HouseToken, secret string, err error)
	RevokeToken(ctx context.Context, id, by string) error
	// IdentityDays is how many days old a backup may be to be readable for identity; 0
	// where the keys of identities don't rotate, so that any backup stays readable.
	IdentityDays() int
	// Views tells who looked at an identity, by the patient's number or by the random
	// reference in the log; the reference is given back.
	Views(ctx context.Context, patient, reference string) (views []HouseView, found string, err error)
}

// HouseFault is one field of a form and what to do about it.
type HouseFault struct {
	Field string // as in the API, "assumed.low"; empty for the whole
	Say   string
}

// HouseRefused says why nothing was declared.
type HouseRefused []HouseFault

// Error gives the fields in one line.
func (e HouseRefused) Error() string {
	words := make([]string, len(e))
	for i, f := range e {
		words[i] = strings.TrimPrefix(f.Field+": "+f.Say, ": ")
	}
	return strings.Join(words, "; ")
}

// House is what is declared.
type House struct {
	Seq      uint64         // log sequence it rests on
	Now      event.Instant  // instant it is true for
	Zone     *time.Location // zone of the reception; nil is UTC
	Places   []HousePlace
	Carriers []HouseCarrier
	Loggers  []HouseLogger
	Routes   []HouseRoute
	People   []HousePerson
	Devices  []HouseDevice
	Schemes  int    // how many number schemes are in force
	Limits   string // the set of limits in force, in words; empty for none
	Outside  []HouseOutside

	Programmes []HouseProgramme // in the order in which they were declared
	TubeTypes  []HouseTubeType  // of the limits in force, by code
}

// HouseProgramme says how tubes of some types are spun.
type HouseProgramme struct {
	Name        string
	Tubes       []string // codes of tube types
	G, WithinG  int64    // relative centrifugal force, and how much more or less will do
	Minutes     int64    // of the run
	HandlingMin int64    // minutes beside it
	Low, High   string   // degrees C as decimal text, both ends inside; both empty: none is asked for
}

// HouseTubeType is a tube type of the limits in force.
type HouseTubeType struct{ Code, Name string }

// HouseRotor is what a centrifuge can do with the rotor that it has now.
type HouseRotor struct {
	Slots      int64 // tubes of one run, 0 when not said
	RadiusMm   int64
	MostPerMin int64  // turns that it bears
	Low, High  string // degrees C that it can hold as decimal text; both empty: none
	At         string // bench or reception whose tubes it takes; empty: of every place
}

// HouseRange is a declared temperature range. It is an assumption that somebody answers
// for.
type HouseRange struct {
	Low, High string // degrees C as decimal text, both ends inside; both empty: none declared
	Basis     string // why it is believed
	Owner     string // who answers for it
	Review    event.Instant
}

// declared tells whether there is a range at all.
func (r HouseRange) declared() bool { return r.Low != "" || r.High != "" }

// HousePlace is a declared place.
type HousePlace struct {
	ID, Name, Kind, Zone string
	Range                HouseRange
	BenchSpinMin         int64 // accepted here counts as spun within so many minutes, 0 for no
	Relabel              bool
	Identify             []string // event.Identifyings, in the order tried; empty: by the band
	SecondPerson         bool     // identification needs two persons
	Spins                bool     // tubes are spun here before they leave
	MostDrawPermille     int64    // most of a patient's blood in 24 hours, 0 when not said
	Rotor                HouseRotor
}

// HouseCarrier is a declared rack, bag, box or flask.
type HouseCarrier struct {
	ID, Kind   string
	OwnClimate bool
	Range      HouseRange
}

// HouseLogger is a declared temperature logger.
type HouseLogger struct {
	ID          string
	EverySec    int64
	HoldSec     int64  // how long a last value holds, -1 for one interval
	MaxGapSec   int64  // longest stretch that is bridged, 0 for the default
	Uncertainty string // degrees C as decimal text, empty when not said
	Zone        string // zone or offset that its clock shows
	In          string // number of the carrier or place it is attached to, empty for none
	InKind      string // carrier or place
	Since       event.Instant
	Imports     []HouseImport
}

// HouseImport is a logger's file that was read in.
type HouseImport struct {
	File        string
	At          event.Instant
	By          string
	Values      int64
	Faults      int64
	First, Last event.Instant
	Voided      bool
}

// HouseRoute is a declared timetable.
type HouseRoute struct {
	ID, From, To, Zone string
	Departs            []string // local times hh:mm
	TakesMin           int64
}

// HousePerson is a person by staff code.
type HousePerson struct {
	ID     string
	Role   string // everywhere, empty for none
	Roles  []HouseRoleAt
	Active bool
	SignIn *HouseSignIn // nil when it isn't known
}

// HouseRoleAt is a role at one place.
type HouseRoleAt struct{ Role, Place string }

// may tells whether a person has a role somewhere and may act.
func (p *HousePerson) may(role string) bool {
	if !p.Active {
		return false
	}
	for _, r := range p.Roles {
		if r.Role == role {
			return true
		}
	}
	return p.Role == role
}

// HouseSignIn says how a person can sign in, never with what.
type HouseSignIn struct {
	Badge, PIN, Account bool
	LockedUntil         event.Instant // 0 when not locked
	Failures            int
}

// HouseSecrets are set in a form and never shown again.
type HouseSecrets struct{ Badge, PIN, Account string }

// HouseDevice is a declared device.
type HouseDevice struct {
	ID, Kind, Place string
	Active          bool
	OffsetMs        int64         // device minus true, as last measured
	Measured        event.Instant // 0: never
	KeyID           string        // of its own key, empty until it was enrolled
	Doubts          []event.Doubt
	// Heard is when it last told how it stands, 0: never; Unsent is how many scans it had
	// not sent then, and since when the oldest waits. Lasting: its browser promised to keep them.
	Heard   event.Instant
	Unsent  int64
	Oldest  event.Instant
	Lasting bool
}

// HouseInvitation is a code by which a device enrols itself, once.
type HouseInvitation struct {
	Code  string
	Until event.Instant
}

// HouseToken is the token of a machine, without its secret.
type HouseToken struct {
	ID, Name        string
	Scopes, Loggers []string
	Made, Until     event.Instant
	Revoked         bool
	By              string
}

// HouseView is one look at an identity.
type HouseView struct {
	At                                  event.Instant
	By, Role, Device, Place, Why, About string
}

// housePages adds the pages of the house; post guards what writes.
func (s *server) housePages(mux *router, post func(path string, h http.HandlerFunc)) {
	mux.HandleFunc("GET /house", s.houseOverview)
	for i := range houseKinds {
		k := &houseKinds[i]
		mux.HandleFunc("GET /house/"+k.path, func(w http.ResponseWriter, r *http.Request) { s.houseList(w, r, k) })
		mux.HandleFunc("GET /house/"+k.path+"/{id}", func(w http.ResponseWriter, r *http.Request) { s.houseThing(w, r, k) })
		mux.HandleFunc("GET /house/new/"+k.path, func(w http.ResponseWriter, r *http.Request) { s.houseNew(w, r, k) })
		post("/house/"+k.path, func(w http.ResponseWriter, r *http.Request) { s.houseDeclare(w, r, k) })
	}
	// A form that is loaded again by its address leads to the thing it is about.
	for _, p := range [][2]string{
		{"/house/people/{id}/sign-in", "people"}, {"/house/people/{id}/release", "people"}, {"/house/devices/{id}/invite", "devices"},
		{"/house/devices/{id}/revoke", "devices"}, {"/house/devices/{id}/allow", "devices"},
	} {
		mux.HandleFunc("GET "+p[0], func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, s.site.houseURL(p[1], r.PathValue("id")), http.StatusSeeOther)
		})
	}
	mux.Handle("GET /house/tokens/{id}/revoke", http.RedirectHandler(s.site.Base+"/house/tokens", http.StatusSeeOther))
	mux.Handle("GET /house/schemes/check", http.RedirectHandler(s.site.Base+"/house/schemes", http.StatusSeeOther))
	post("/house/people/{id}/sign-in", s.setSignIn)
	post("/house/people/{id}/release", s.releaseLock)
	post("/house/devices/{id}/invite", s.inviteDevice)
	post("/house/devices/{id}/revoke", s.revokeDevice)
	post("/house/devices/{id}/allow", s.allowDevice)
	mux.HandleFunc("GET /house/tokens", s.houseTokens)
	post("/house/tokens", s.makeToken)
	post("/house/tokens/{id}/revoke", s.revokeToken)
	mux.HandleFunc("GET /house/schemes", s.houseSchemes)
	post("/house/schemes/check", s.checkSchemes)
	post("/house/schemes", s.declareSchemes)
	mux.HandleFunc("GET /house/programmes", s.houseProgrammes)
	mux.Handle("GET /house/programmes/check", http.RedirectHandler(s.site.Base+"/house/programmes", http.StatusSeeOther))
	post("/house/programmes/check", s.checkProgrammes)
	post("/house/programmes", s.declareProgrammes)
	mux.HandleFunc("GET /house/identity", s.houseIdentity)
	post("/house/identity", s.houseViews)
}
