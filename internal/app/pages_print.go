package app

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/web"
)

// PrintTube implements web.PrintSource.
func (p *pages) PrintTube(_ context.Context, key event.Key) (web.PrintTube, error) {
	m := p.a.model
	if !m.Ready() {
		return web.PrintTube{}, web.ErrNotReady
	}
	v, ok := m.View(key)
	if !ok {
		return web.PrintTube{}, web.ErrNotFound
	}
	return printTube(key, &v), nil
}

// printTube says what is printed of a tube. Paper lies about: restricted tests are
// never named on it.
func printTube(key event.Key, v *live.View) web.PrintTube {
	out := web.PrintTube{Key: key, Type: v.Tube.Type, Irreplaceable: v.Tube.Irreplaceable}
	for i := range v.Tests {
		t := &v.Tests[i]
		if t.Assay == "" {
			continue
		}
		out.Tests = append(out.Tests, web.PrintTest{
			Code: t.Assay, Name: assayName(v, t.Assay), Restricted: t.Name.Restricted, Verdict: t.Verdict, Outlook: t.Outlook, Due: web.Due(t.Due),
		})
	}
	slices.SortFunc(out.Tests, func(a, b web.PrintTest) int { return strings.Compare(a.Code, b.Code) })
	return out
}

// PrintRequest implements web.PrintSource.
func (p *pages) PrintRequest(ctx context.Context, key event.Key) ([]web.PrintTube, error) {
	m := p.a.model
	if !m.Ready() {
		return nil, web.ErrNotReady
	}
	var tubes []event.Key
	known := false
	m.World(func(w *custody.World) {
		var r *custody.Request
		if r, known = w.Request(key); known {
			tubes = slices.Clone(r.Tubes)
		}
	})
	if !known {
		return nil, web.ErrNotFound
	}
	out := make([]web.PrintTube, 0, len(tubes))
	for _, tube := range tubes {
		if one, err := p.PrintTube(ctx, tube); err == nil {
			out = append(out, one)
			continue
		}
		out = append(out, web.PrintTube{Key: tube}) // named by the request, never scanned
	}
	return out, nil
}

// PrintCarriers implements web.PrintSource.
func (p *pages) PrintCarriers(context.Context) ([]web.PrintCarrier, error) {
	m := p.a.model
	if !m.Ready() {
		return nil, web.ErrNotReady
	}
	var keys []event.Key
	m.World(func(w *custody.World) { keys = w.Keys(event.KindCarrier) })
	out := make([]web.PrintCarrier, 0, len(keys))
	for part := range slices.Chunk(keys, boxesAtOnce) {
		m.World(func(w *custody.World) {
			for _, key := range part {
				if one, ok := (names{w}).printCarrier(key); ok {
					out = append(out, one)
				}
			}
		})
	}
	slices.SortFunc(out, func(a, b web.PrintCarrier) int { return cmp.Compare(a.Key, b.Key) })
	return out, nil
}

func (n names) printCarrier(key event.Key) (web.PrintCarrier, bool) {
	c, ok := n.w.Carrier(key)
	if !ok {
		return web.PrintCarrier{}, false
	}
	out := web.PrintCarrier{Key: key, Kind: c.CarrierKind, Owner: c.Owner}
	for _, in := range n.w.Contents(key, 0) {
		if in.Kind == event.KindTube {
			out.Tubes++
		}
	}
	return out, true
}

// PrintPlaces implements web.PrintSource.
func (p *pages) PrintPlaces(context.Context) ([]web.PrintPlace, error) {
	m := p.a.model
	if !m.Ready() {
		return nil, web.ErrNotReady
	}
	var out []web.PrintPlace
	m.World(func(w *custody.World) {
		for _, key := range w.Keys(event.KindPlace) {
			if place, ok := w.Place(key.Label()); ok {
				out = append(out, web.PrintPlace{Key: key, Name: place.Name, Kind: place.PlaceKind, Zone: place.Zone})
			}
		}
	})
	slices.SortFunc(out, func(a, b web.PrintPlace) int { return cmp.Compare(a.Key, b.Key) })
	return out, nil
}

// PrintContents implements web.PrintSource.
func (p *pages) PrintContents(_ context.Context, key event.Key) (web.PrintContents, error) {
	m := p.a.model
	if !m.Ready() {
		return web.PrintContents{}, web.ErrNotReady
	}
	out := web.PrintContents{Seq: m.At().Custody, Now: p.a.parts.Clock.Now()}
	known := false
	var tubes []custody.Content
	m.World(func(w *custody.World) {
		n := names{w}
		if out.Carrier, known = n.printCarrier(key); !known {
			return
		}
		tubes = n.contents(&out, key)
	})
	if !known {
		return out, web.ErrNotFound
	}
	if out.Zone == nil {
		var reception watching
		reception.readZone(m)
		out.Zone = reception.zone
	}
	if out.Zone != nil {
		out.ZoneName = out.Zone.String()
	}
	for _, in := range tubes {
		row := web.PrintRow{PrintTube: web.PrintTube{Key: in.Key}}
		if v, ok := m.View(in.Key); ok {
			row.PrintTube, row.Flagged = printTube(in.Key, &v), v.Flagged
			if kind, ok := m.TubeType(v.Tube.Type); ok {
				row.TypeName = kind.Name
			}
		}
		m.World(func(w *custody.World) { row.In = names{w}.inside(in.Via) })
		out.Rows = append(out.Rows, row)
	}
	return out, nil
}

// contents fills in what is known of a carrier and gives the tubes in it.
func (n names) contents(out *web.PrintContents, key event.Key) []custody.Content {
	c, _ := n.w.Carrier(key)
	out.Name, out.Holder, out.Place, out.To = n.carrier(key), n.place(c.Holder), n.place(c.Place), n.place(c.To)
	if r, ok := n.w.Route(c.Route); ok && c.Departed.Is() {
		out.To = cmp.Or(out.To, n.place(r.To))
		out.Due = web.Due{Earliest: c.Due, Latest: c.Due}
	}
	out.Seal = c.Seal
	if c.Seal != "" {
		out.Sealed = c.Sealed.At
	}
	for _, code := range []string{c.Place, c.Holder} {
		if place, ok := n.w.Place(code); ok && out.Zone == nil {
			out.Zone = zoneOf(place.Zone)
		}
	}
	for _, a := range n.w.LoggersOf(custody.Target{Kind: event.KindCarrier, Key: key}) {
		if a.Until == 0 {
			out.Loggers = append(out.Loggers, a.Logger.Label())
		}
	}
	var tubes []custody.Content
	for _, in := range n.w.Contents(key, 0) {
		switch in.Kind {
		case event.KindTube:
			tubes = append(tubes, in)
		case event.KindCarrier:
			out.Carriers = append(out.Carriers, n.carrier(in.Key))
		}
	}
	return tubes
}
