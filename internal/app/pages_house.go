package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// House implements web.HouseSource.
func (p *pages) House(ctx context.Context) (web.House, error) {
	m := p.a.model
	if !m.Ready() {
		return web.House{}, web.ErrNotReady
	}
	out := web.House{Seq: m.At().Custody, Now: p.a.parts.Clock.Now(), Schemes: len(m.Schemes().All())}
	var reception watching
	reception.readZone(m)
	out.Zone = reception.zone
	if inForce, _ := standing(m.Adopted(), out.Now); inForce != nil {
		out.Limits = fmt.Sprintf("%s, version %d, adopted by %s", inForce.Set.Name, inForce.Set.Version, inForce.By)
		for i := range inForce.Set.Tubes {
			out.TubeTypes = append(out.TubeTypes, web.HouseTubeType{Code: inForce.Set.Tubes[i].Code, Name: inForce.Set.Tubes[i].Name})
		}
		slices.SortFunc(out.TubeTypes, func(a, b web.HouseTubeType) int { return strings.Compare(a.Code, b.Code) })
	}
	var err error
	if out.Programmes, err = p.programmes(ctx); err != nil {
		return web.House{}, err
	}
	p.eachDeclared(event.KindPlace, func(w *custody.World, key event.Key) {
		if f, ok := w.Place(key.Label()); ok {
			out.Places = append(out.Places, web.HousePlace{
				ID: key.Label(), Name: f.Name, Kind: f.PlaceKind, Zone: f.Zone, Range: houseRange(f.Assumed, f.Basis, f.Owner, f.Review),
				BenchSpinMin: f.BenchSpinMin, Relabel: f.Relabel,
				Identify: f.Identify, SecondPerson: f.SecondPerson, Spins: f.Spins, MostDrawPermille: f.MostDrawPermille, Rotor: houseRotor(f.Rotor),
			})
		}
	})
	p.eachDeclared(event.KindCarrier, func(w *custody.World, key event.Key) {
		// The versions alone: working out what a box holds isn't needed here.
		if all, _ := w.CarrierVersions(key); len(all) > 0 {
			f := all[len(all)-1]
			out.Carriers = append(out.Carriers, web.HouseCarrier{
				ID: key.Label(), Kind: f.CarrierKind, OwnClimate: f.OwnClimate, Range: houseRange(f.Assumed, f.Basis, f.Owner, f.Review),
			})
		}
	})
	p.eachDeclared(event.KindLogger, func(w *custody.World, key event.Key) {
		if l, ok := w.Logger(key); ok && l.EveryMs > 0 {
			out.Loggers = append(out.Loggers, houseLogger(&l))
		}
	})
	p.eachDeclared(event.KindRoute, func(w *custody.World, key event.Key) {
		if f, ok := w.Route(key); ok {
			out.Routes = append(out.Routes, web.HouseRoute{
				ID: key.Label(), From: f.From, To: f.To, Zone: f.Zone, Departs: slices.Clone(f.Departs), TakesMin: f.TakesMin,
			})
		}
	})
	p.eachDeclared(event.KindPerson, func(w *custody.World, key event.Key) {
		if f, ok := w.Person(key); ok {
			person := web.HousePerson{ID: key.Label(), Role: f.Role, Active: f.Active}
			for _, at := range f.Roles {
				person.Roles = append(person.Roles, web.HouseRoleAt{Role: at.Role, Place: at.Place})
			}
			out.People = append(out.People, person)
		}
	})
	p.eachDeclared(event.KindDevice, func(w *custody.World, key event.Key) {
		if d, ok := w.Device(key); ok && d.Enrolled {
			out.Devices = append(out.Devices, houseDevice(w, &d, out.Now))
		}
	})
	p.signIns(ctx, out.People)
	if err := p.outside(ctx, &out); err != nil {
		return out, err
	}
	return out, p.unsent(ctx, out.Devices)
}

// unsent adds what each phone said last of the scans that it keeps.
func (p *pages) unsent(ctx context.Context, devices []web.HouseDevice) error {
	told, err := p.a.desk.Phones(ctx)
	if err != nil {
		return err
	}
	for _, t := range told {
		for i := range devices {
			if d := &devices[i]; d.ID == t.Device {
				d.Heard, d.Unsent, d.Oldest, d.Lasting = t.Seen, t.Waiting, t.Oldest, t.Lasting
			}
		}
	}
	return nil
}

// eachDeclared calls f for all of a kind, by number, a few under one hold of the model.
func (p *pages) eachDeclared(kind event.Kind, f func(w *custody.World, key event.Key)) {
	var keys []event.Key
	p.a.model.World(func(w *custody.World) { keys = slices.Clone(w.Keys(kind)) })
	slices.Sort(keys)
	for part := range slices.Chunk(keys, boxesAtOnce) {
		p.a.model.World(func(w *custody.World) {
			for _, key := range part {
				f(w, key)
			}
		})
	}
}

func houseRange(r event.Range, basis, owner string, review event.Instant) web.HouseRange {
	out := web.HouseRange{Basis: basis, Owner: owner, Review: review}
	if r.Known {
		out.Low, out.High = celsius(r.Low), celsius(r.High)
	}
	return out
}

// celsius writes 0.01 °C as the API takes it.
func celsius(c event.CentiC) string {
	sign, n := "", int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

func houseLogger(l *custody.Logger) web.HouseLogger {
	out := web.HouseLogger{ID: l.Key.Label(), EverySec: l.EveryMs / 1000, HoldSec: -1, MaxGapSec: l.MaxGapMs / 1000, Zone: l.Zone}
	if l.HoldMs >= 0 {
		out.HoldSec = l.HoldMs / 1000
	}
	if u := l.Calibration.UncertaintyCenti; u > 0 {
		out.Uncertainty = celsius(event.CentiC(u)) //nolint:gosec // a few degrees
	}
	if n := len(l.Attached); n > 0 && l.Attached[n-1].Until == 0 {
		on := l.Attached[n-1]
		out.In, out.InKind, out.Since = on.To.Key.Label(), string(on.To.Kind), on.From
	}
	for _, m := range l.Imports {
		out.Imports = append(out.Imports, web.HouseImport{
			File: m.File, At: m.At, By: m.By, Values: m.Values, Faults: m.Faults, First: m.First, Last: m.Last, Voided: m.Voided,
		})
	}
	return out
}

func houseDevice(w *custody.World, d *custody.Device, now event.Instant) web.HouseDevice {
	out := web.HouseDevice{ID: d.Key.Label(), Kind: d.DeviceKind, Active: d.Active, OffsetMs: d.OffsetMs, Measured: d.MeasuredAt, Place: d.Place, KeyID: d.KeyID}
	target := custody.Target{Kind: event.KindDevice, Key: d.Key}
	for _, doubt := range w.DoubtsOf(target, now) {
		out.Doubts = append(out.Doubts, doubt.Doubt)
	}
	return out
}

// signIns fills in how people sign in. Where whoever looks may not know it, it stays
// unknown.
func (p *pages) signIns(ctx context.Context, people []web.HousePerson) {
	for i := range people {
		switch in, err := p.SignIn(ctx, people[i].ID); {
		case errors.Is(err, web.ErrNotHere), errors.Is(err, web.ErrNotAllowed):
			return
		case err == nil:
			people[i].SignIn = &in
		}
	}
}

// DeclarePlace implements web.HouseSource.
func (p *pages) DeclarePlace(ctx context.Context, h web.HousePlace, by string) (string, error) {
	assumed, review := rangeRequest(h.Range)
	_, err := p.directory().PutPlace(ctx, &custodyv1.Place{
		Id: h.ID, Name: h.Name, Kind: h.Kind, Zone: h.Zone, Assumed: assumed, Basis: h.Range.Basis, Owner: h.Range.Owner, Review: review,
		BenchSpinMinutes: h.BenchSpinMin, Relabel: h.Relabel, By: by,
		Identify: h.Identify, SecondPerson: h.SecondPerson, Spins: h.Spins, MostDrawPermille: h.MostDrawPermille, Rotor: rotorRequest(h.Rotor),
	})
	return p.declared(event.KindPlace, h.ID, err)
}

// DeclareCarrier implements web.HouseSource.
func (p *pages) DeclareCarrier(ctx context.Context, h web.HouseCarrier, by string) (string, error) {
	assumed, review := rangeRequest(h.Range)
	_, err := p.directory().PutCarrier(ctx, &custodyv1.Carrier{
		Id: h.ID, Kind: h.Kind, OwnClimate: h.OwnClimate, Assumed: assumed, Basis: h.Range.Basis, Owner: h.Range.Owner, Review: review, By: by,
	})
	return p.declared(event.KindCarrier, h.ID, err)
}

// DeclareLogger implements web.HouseSource. What it is on and its uncertainty are facts
// of their own, so that they are said only when they change.
func (p *pages) DeclareLogger(ctx context.Context, h web.HouseLogger, by string) (string, error) {
	req := &custodyv1.Logger{
		Id: h.ID, EverySeconds: h.EverySec, MaxGapSeconds: h.MaxGapSec, Uncertainty: h.Uncertainty, Zone: h.Zone, In: h.In, OccurredAt: instantText(h.Since), By: by,
	}
	if h.HoldSec >= 0 {
		req.HoldSeconds = &h.HoldSec
	}
	was := p.logger(h.ID)
	if h.Since == 0 && p.sameThing(was, h.In) {
		req.In = ""
	}
	if h.Uncertainty != "" && sameDegrees(was.Uncertainty, h.Uncertainty) {
		req.Uncertainty = ""
	}
	_, err := p.directory().PutLogger(ctx, req)
	if err == nil && h.Since != 0 {
		// All that was said stands at the instant of the attachment now, behind which an
		// older description may stand: what it is like is said once more, for now.
		req.In, req.OccurredAt = "", ""
		_, err = p.directory().PutLogger(ctx, req)
	}
	return p.declared(event.KindLogger, h.ID, err)
}

// logger gives what is declared of a logger, zero when nothing is.
func (p *pages) logger(id string) (was web.HouseLogger) {
	key, err := p.key(event.KindLogger, id)
	if err != nil {
		return was
	}
	p.a.model.World(func(w *custody.World) {
		if l, ok := w.Logger(key); ok {
			was = houseLogger(&l)
		}
	})
	return was
}

// sameThing tells whether a text names what a logger is on already.
func (p *pages) sameThing(was web.HouseLogger, in string) bool {
	if was.In == "" || in == "" {
		return false
	}
	key, err := p.key(event.Kind(was.InKind), in)
	return err == nil && key.Label() == was.In
}

// sameDegrees tells whether two decimal texts are one number: 0.5 and 0.50.
func sameDegrees(a, b string) bool {
	x, err := strconv.ParseFloat(a, 64)
	y, err2 := strconv.ParseFloat(b, 64)
	return err == nil && err2 == nil && x == y
}

// DeclareRoute implements web.HouseSource.
func (p *pages) DeclareRoute(ctx context.Context, h web.HouseRoute, by string) (string, error) {
	_, err := p.directory().PutRoute(ctx, &custodyv1.Route{
		Id: h.ID, From: h.From, To: h.To, Departs: h.Departs, TakesMinutes: h.TakesMin, Zone: h.Zone, By: by,
	})
	return p.declared(event.KindRoute, h.ID, err)
}

// DeclarePerson implements web.HouseSource.
func (p *pages) DeclarePerson(ctx context.Context, h web.HousePerson, by string) (string, error) {
	req := &custodyv1.Person{Id: h.ID, Role: h.Role, Active: h.Active, By: by}
	for _, at := range h.Roles {
		req.Roles = append(req.Roles, &custodyv1.RoleAt{Role: at.Role, Place: at.Place})
	}
	_, err := p.directory().PutPerson(ctx, req)
	return p.declared(event.KindPerson, h.ID, err)
}

// DeclareDevice implements web.HouseSource.
func (p *pages) DeclareDevice(ctx context.Context, h web.HouseDevice, by string) (string, error) {
	_, err := p.directory().PutDevice(ctx, &custodyv1.Device{Id: h.ID, Kind: h.Kind, Place: h.Place, Active: h.Active, By: by})
	return p.declared(event.KindDevice, h.ID, err)
}

// DeclareSchemes implements web.HouseSource.
func (p *pages) DeclareSchemes(ctx context.Context, schemes []label.Scheme, dry bool, by string) ([]string, error) {
	req := &custodyv1.NumberSchemes{By: by, DryRun: dry}
	for _, s := range schemes {
		req.Schemes = append(req.Schemes, &custodyv1.NumberScheme{
			Id: s.ID, Issuer: s.Issuer, Names: string(s.Names), Pattern: s.Pattern, Check: string(s.Check), LetterCase: string(s.Case), Zeros: string(s.Zeros),
			In: s.In, Framed: s.Framed, Ward: s.Ward, TubeType: s.TubeType, ReuseHours: int64(s.Reuse / time.Hour),
		})
	}
	resp, err := p.directory().PutSchemes(ctx, req)
	return resp.GetWarnings(), houseError(err)
}

// SignIn implements web.HouseSource.
func (p *pages) SignIn(ctx context.Context, person string) (web.HouseSignIn, error) {
	s, err := p.signInClient().GetSignIn(ctx, &custodyv1.GetSignInRequest{Id: person})
	if err != nil {
		return web.HouseSignIn{}, houseError(err)
	}
	out := web.HouseSignIn{Badge: s.GetBadge(), PIN: s.GetPin(), Account: s.GetAccount(), Failures: int(s.GetFailures())}
	out.LockedUntil, err = instantOf("lockedUntil", s.GetLockedUntil())
	return out, err
}

// SetSignIn implements web.HouseSource.
func (p *pages) SetSignIn(ctx context.Context, person string, s web.HouseSecrets, by string) error {
	_, err := p.signInClient().SetSignIn(ctx, &custodyv1.SetSignInRequest{Id: person, Badge: s.Badge, Pin: s.PIN, Account: s.Account, By: by})
	return houseError(err)
}

// ReleaseLock implements web.HouseSource.
func (p *pages) ReleaseLock(ctx context.Context, person, by string) error {
	_, err := p.signInClient().ReleaseLock(ctx, &custodyv1.ReleaseLockRequest{Id: person, By: by})
	return houseError(err)
}

// InviteDevice implements web.HouseSource.
func (p *pages) InviteDevice(ctx context.Context, device, by string) (web.HouseInvitation, error) {
	resp, err := p.signInClient().InviteDevice(ctx, &custodyv1.InviteDeviceRequest{Id: device, By: by})
	if err != nil {
		return web.HouseInvitation{}, houseError(err)
	}
	until, err := instantOf("until", resp.GetUntil())
	return web.HouseInvitation{Code: resp.GetCode(), Until: until}, err
}

// Tokens implements web.HouseSource.
func (p *pages) Tokens(ctx context.Context) ([]web.HouseToken, error) {
	resp, err := p.signInClient().ListTokens(ctx, &custodyv1.ListTokensRequest{})
	if err != nil {
		return nil, houseError(err)
	}
	var out []web.HouseToken
	for _, t := range resp.GetTokens() {
		one, err := houseToken(t)
		if err != nil {
			return nil, err
		}
		out = append(out, one)
	}
	slices.SortStableFunc(out, func(a, b web.HouseToken) int { return int(min(max(b.Made-a.Made, -1), 1)) })
	return out, nil
}

// MakeToken implements web.HouseSource.
func (p *pages) MakeToken(ctx context.Context, t web.HouseToken, days int64, by string) (web.HouseToken, string, error) {
	const most = 1 << 30
	made, err := p.signInClient().MakeToken(ctx, &custodyv1.MakeTokenRequest{
		Name: t.Name, Scopes: t.Scopes, Loggers: t.Loggers, Days: int32(min(max(days, -most), most)), By: by, //nolint:gosec // cut to the range
	})
	if err != nil {
		return web.HouseToken{}, "", houseError(err)
	}
	out, err := houseToken(made)
	return out, made.GetSecret(), err
}

// RevokeToken implements web.HouseSource.
func (p *pages) RevokeToken(ctx context.Context, id, by string) error {
	_, err := p.signInClient().RevokeToken(ctx, &custodyv1.RevokeTokenRequest{Id: id, By: by})
	return houseError(err)
}

func houseToken(t *custodyv1.Token) (web.HouseToken, error) {
	made, err := instantOf("made", t.GetMade())
	until, err2 := instantOf("until", t.GetUntil())
	return web.HouseToken{
		ID: t.GetId(), Name: t.GetName(), Scopes: t.GetScopes(), Loggers: t.GetLoggers(), Made: made, Until: until, Revoked: t.GetRevoked(), By: t.GetBy(),
	}, errors.Join(err, err2)
}

// IdentityDays implements web.HouseSource.
func (p *pages) IdentityDays() int { return p.a.people.BackupsReadableFor() }

// Views implements web.HouseSource.
func (p *pages) Views(ctx context.Context, patient, reference string) ([]web.HouseView, string, error) {
	resp, err := custodyv1.NewPatientsClient(p.a.conn).ListViews(ctx, &custodyv1.ListViewsRequest{Patient: patient, Reference: reference})
	if err != nil {
		return nil, "", houseError(err)
	}
	var out []web.HouseView
	for _, v := range resp.GetViews() {
		at, err := instantOf("at", v.GetAt())
		if err != nil {
			return nil, "", err
		}
		out = append(out, web.HouseView{
			At: at, By: v.GetBy(), Role: v.GetRole(), Device: v.GetDevice(), Place: v.GetPlace(), Why: v.GetWhy(), About: v.GetAbout(),
		})
	}
	return out, resp.GetReference(), nil
}

func (p *pages) directory() custodyv1.DirectoryClient { return custodyv1.NewDirectoryClient(p.a.conn) }

func (p *pages) signInClient() custodyv1.SignInsClient { return custodyv1.NewSignInsClient(p.a.conn) }

// key is how the model knows a number.
func (p *pages) key(kind event.Kind, text string) (event.Key, error) {
	named, err := p.a.model.Find(label.Input{Raw: []byte(text)}, kind)
	return named.Key, err
}

// declared gives the number under which something is found that was just declared.
func (p *pages) declared(kind event.Kind, id string, err error) (string, error) {
	if err != nil {
		return "", houseError(err)
	}
	key, err := p.key(kind, id)
	if err != nil {
		return "", fmt.Errorf("%s %s was declared and can't be found: %w", kind, id, err)
	}
	return key.Label(), nil
}

func rangeRequest(r web.HouseRange) (assumed *custodyv1.Range, review string) {
	if r.Low != "" || r.High != "" {
		assumed = &custodyv1.Range{Low: r.Low, High: r.High}
	}
	return assumed, instantText(r.Review)
}

func instantText(i event.Instant) string {
	if i == 0 {
		return ""
	}
	return i.Time().Format(time.RFC3339Nano)
}

// instantOf reads an instant of an answer of the API.
func instantOf(field, text string) (event.Instant, error) {
	if text == "" {
		return 0, nil
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return 0, fmt.Errorf("%s in the answer: %w", field, err)
	}
	return event.At(t), nil
}

// houseError turns a code of the API into what the pages of the house can say.
func houseError(err error) error {
	if err == nil {
		return nil
	}
	st := status.Convert(err)
	switch st.Code() {
	case codes.InvalidArgument:
		var refused web.HouseRefused
		for _, d := range st.Details() {
			if bad, ok := d.(*errdetails.BadRequest); ok {
				for _, v := range bad.GetFieldViolations() {
					refused = append(refused, web.HouseFault{Field: v.GetField(), Say: v.GetDescription()})
				}
			}
		}
		if len(refused) == 0 {
			refused = web.HouseRefused{{Say: st.Message()}}
		}
		return refused
	case codes.Unavailable:
		return errors.Join(web.ErrNotSaved, err)
	case codes.PermissionDenied, codes.Unauthenticated:
		return errors.Join(web.ErrNotAllowed, err)
	case codes.NotFound:
		return errors.Join(web.ErrNotFound, err)
	case codes.Unimplemented:
		return errors.Join(web.ErrNotHere, err)
	case codes.FailedPrecondition, codes.AlreadyExists:
		return web.HouseRefused{{Say: st.Message()}}
	default:
		return err
	}
}
