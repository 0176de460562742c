package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
	"specimen.example/custody/internal/web"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// shipped is the set that comes with the program, and the rule file it stands in.
type shipped struct {
	set  *stability.Set
	file []byte
}

// shippedLimits reads the shipped set once, since that is most of the work of a start;
// nobody writes to what it gives.
var shippedLimits = sync.OnceValues(func() (shipped, error) {
	set, file, err := library.Starter()
	return shipped{set, file}, err
})

// Limits implements web.Source.
func (p *pages) Limits(context.Context) (web.LimitsPage, error) {
	m := p.a.model
	if !m.Ready() {
		return web.LimitsPage{}, web.ErrNotReady
	}
	shipped, err := shippedLimits()
	if err != nil {
		return web.LimitsPage{}, fmt.Errorf("the shipped limits: %w", err)
	}
	page := web.LimitsPage{Seq: m.At().Custody, Now: p.a.parts.Clock.Now(), Shipped: shipped.set}
	page.InForce, page.Others = standing(m.Adopted(), page.Now)
	var zone watching
	zone.readZone(m)
	page.Zone = zone.zone
	m.World(func(w *custody.World) {
		for _, key := range w.Keys(event.KindPerson) {
			if person, ok := w.Person(key); ok && person.Active && (person.Role == "scientist" || person.Role == "quality") {
				page.People = append(page.People, key.Label())
			}
		}
	})
	slices.Sort(page.People)
	return page, nil
}

// standing parts the adopted sets into the one that judges a tube drawn at now,
// which is the last that came in force, and the others.
func standing(adopted []live.Adopted, now event.Instant) (inForce *web.LimitsSet, others []web.LimitsSet) {
	current := -1
	for i, a := range adopted {
		if a.InForce <= now {
			current = i
		}
	}
	for i, a := range adopted {
		set := web.LimitsSet{
			Set: a.Set, By: a.By, Second: a.Second, Reason: a.Reason, Adopted: a.Adopted, InForce: a.InForce, InFlight: a.InFlight,
		}
		if i == current {
			inForce = &set
			continue
		}
		if i < current {
			// Its tubes went to a later set that takes those in flight too; or another
			// came at the same instant, so that none was ever drawn under it.
			set.Over = slices.ContainsFunc(adopted[i+1:current+1], func(o live.Adopted) bool { return o.InFlight }) ||
				adopted[i+1].InForce == a.InForce && !a.InFlight
		}
		others = append(others, set)
	}
	return inForce, others
}

// AdoptLimits implements web.Source: it is the same call that programs make.
func (p *pages) AdoptLimits(ctx context.Context, a web.LimitsAdoption) (web.LimitsAdopted, error) {
	if !p.a.model.Ready() {
		return web.LimitsAdopted{}, web.ErrNotReady
	}
	req := &stabilityv1.AdoptRulesRequest{
		File: string(a.File), By: a.By, Second: a.Second, Reason: a.Reason, InFlight: a.InFlight, Id: a.ID,
	}
	if a.InForce != 0 {
		req.InForce = a.InForce.Time().Format(time.RFC3339Nano)
	}
	resp, err := stabilityv1.NewRulesClient(p.a.conn).AdoptRules(ctx, req)
	if err != nil {
		return web.LimitsAdopted{}, limitsError(err)
	}
	at, err := time.Parse(time.RFC3339Nano, resp.GetSet().GetInForce())
	if err != nil {
		return web.LimitsAdopted{}, fmt.Errorf("the answer's instant: %w", err)
	}
	return web.LimitsAdopted{Hash: resp.GetSet().GetHash(), InForce: event.At(at)}, nil
}

// limitsError turns a code of the API into what the page can say.
func limitsError(err error) error {
	st := status.Convert(err)
	switch st.Code() {
	case codes.InvalidArgument:
		var refused web.LimitsRefused
		for _, d := range st.Details() {
			bad, ok := d.(*errdetails.BadRequest)
			if !ok {
				continue
			}
			for _, v := range bad.GetFieldViolations() {
				refused = append(refused, web.LimitsFieldError{Field: v.GetField(), Say: v.GetDescription()})
			}
		}
		if len(refused) == 0 {
			refused = web.LimitsRefused{{Say: st.Message()}}
		}
		return refused
	case codes.Unavailable:
		return errors.Join(web.ErrNotSaved, err)
	default:
		return err
	}
}
