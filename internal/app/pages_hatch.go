package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/live"
	"specimen.example/custody/internal/web"
)

// deskKey says which made desk is meant: all who look at one share it.
type deskKey struct {
	place, box string
	named      bool // restricted tests by their names
}

// madeDesk is a desk with what it rests on.
type madeDesk struct {
	page *web.HatchPage
	at   eventlog.Position
	now  event.Instant
}

// mostDesks bounds how many made desks are kept; who looks at another one has it made.
const mostDesks = 32

// Hatch implements web.HatchSource. It looks at what is flagged, at the open box and at
// what came here lately, never at all there ever were.
func (p *pages) Hatch(ctx context.Context, ask web.HatchAsk) (*web.HatchPage, error) {
	m := p.a.model
	if !m.Ready() {
		return nil, web.ErrNotReady
	}
	key := deskKey{event.Spelled(ask.Place), event.Spelled(ask.Box), !p.a.parts.SignIn || api.MayNameTests(auth.From(ctx))}
	at, now := m.At(), p.a.parts.Clock.Now()
	if page := p.deskFor(key, at, now); page != nil {
		return page, nil
	}
	p.turn.Lock()
	defer p.turn.Unlock()
	if page := p.deskFor(key, at, now); page != nil {
		return page, nil
	}
	if err := rest(ctx, min(restFactor*p.took, longestRest)-time.Since(p.ready)); err != nil {
		return nil, err
	}
	start := time.Now()
	made := madeDesk{at: m.At(), now: p.a.parts.Clock.Now()}
	made.page = p.makeDesk(key, made.now)
	made.page.Seq = made.at.Custody
	p.ready = time.Now()
	p.took = p.ready.Sub(start)
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.desks == nil || len(p.desks) >= mostDesks {
		p.desks = map[deskKey]madeDesk{}
	}
	p.desks[key] = made
	return made.page, nil
}

func (p *pages) deskFor(key deskKey, at eventlog.Position, now event.Instant) *web.HatchPage {
	p.mu.Lock()
	defer p.mu.Unlock()
	made, ok := p.desks[key]
	if !ok || !(&keptWall{at: made.at, now: made.now}).serves(at, now) {
		return nil
	}
	return made.page
}

// makeDesk makes the desk of a place as of now. The caller holds the turn.
func (p *pages) makeDesk(key deskKey, now event.Instant) *web.HatchPage {
	m := p.a.model
	p.watch.refresh(m)
	page := &web.HatchPage{Now: now, Zone: p.watch.zone, Place: key.place}
	m.World(func(w *custody.World) { names{w}.deskPlaces(page) })
	if !slices.ContainsFunc(page.Places, func(pl web.HatchPlace) bool { return event.Spelled(pl.Code) == key.place }) {
		page.Place = "" // no desk can be there: it is asked
		return page
	}
	views := map[event.Key]live.View{}
	for _, tube := range m.Flagged() {
		if v, ok := m.Judged(tube); ok && v.Flagged {
			if !key.named {
				unnamed(&v)
			}
			views[tube] = v
		}
	}
	d := &desk{p: p, key: key, now: now, page: page, views: views, unread: map[event.Key]string{}}
	d.boxes()
	d.open()
	m.World(d.flags)
	d.samples()
	return page
}

// deskPlaces lists the places that can have a desk, receptions first, and who may answer
// for a deviation.
func (n names) deskPlaces(page *web.HatchPage) {
	order := []string{"reception", "hatch", "bench", "clinic", "ward", "store", ""}
	for _, key := range n.w.Keys(event.KindPlace) {
		pl, ok := n.w.Place(key.Label())
		if !ok || !slices.Contains(order, pl.PlaceKind) {
			continue // nobody opens boxes in a vehicle, a centrifuge or somebody's home
		}
		page.Places = append(page.Places, web.HatchPlace{Code: key.Label(), Name: n.place(key.Label()), Kind: pl.PlaceKind})
		if event.Spelled(key.Label()) == page.Place {
			page.Name = pl.Name
			if zone := zoneOf(pl.Zone); zone != nil {
				page.Zone = zone
			}
		}
	}
	slices.SortFunc(page.Places, func(a, b web.HatchPlace) int {
		return cmp.Or(slices.Index(order, a.Kind)-slices.Index(order, b.Kind), strings.Compare(a.Code, b.Code))
	})
	for _, key := range n.w.Keys(event.KindPerson) {
		if who, ok := n.w.Person(key); ok && who.Active {
			page.People = append(page.People, key.Label())
		}
	}
	slices.Sort(page.People)
}

// desk is one desk while it is made.
type desk struct {
	p     *pages
	key   deskKey
	now   event.Instant
	page  *web.HatchPage
	views map[event.Key]live.View
	// unread says of a carrier that its logger's readings don't reach its arrival.
	unread map[event.Key]string
}

// here reports whether a place in the log is this desk's.
func (d *desk) here(place string) bool { return place != "" && event.Spelled(place) == d.key.place }

// flags takes the flagged tubes that are here, or are on the way here.
func (d *desk) flags(w *custody.World) {
	n := names{w}
	for key, v := range d.views {
		if !d.concerns(w, v.Tube) {
			d.page.Elsewhere++
			continue
		}
		row := n.flag(key, &v)
		row.Provisional = d.provisional(v.Tube)
		d.page.Flags = append(d.page.Flags, row)
	}
	slices.SortFunc(d.page.Flags, func(a, b web.FlagRow) int { return strings.Compare(a.Tube, b.Tube) })
}

func (d *desk) concerns(w *custody.World, t *custody.Tube) bool {
	if d.here(t.Place) || d.here(t.Holder) {
		return true
	}
	if !t.Moving {
		return false
	}
	if t.Destination != "" {
		return d.here(t.Destination)
	}
	for _, key := range t.Carriers {
		if c, ok := w.Carrier(key); ok && d.here(towards(w, c)) {
			return true
		}
	}
	return false
}

// towards is the place where a carrier's leg ends, empty when nobody said.
func towards(w *custody.World, c *custody.Carrier) string {
	if c.To != "" {
		return c.To
	}
	if r, ok := w.Route(c.Route); ok && c.Departed.Is() {
		return r.To
	}
	return ""
}

// provisional says why readings that are outstanding can still change what is said of a tube.
func (d *desk) provisional(t *custody.Tube) string {
	in := t.Carriers
	if len(in) == 0 {
		in = cameIn(t)
	}
	for _, key := range in {
		if say := d.unread[key]; say != "" {
			return say
		}
	}
	return ""
}

// cameIn is the carrier out of which a tube was received, as the reception said.
func cameIn(t *custody.Tube) []event.Key {
	for i := len(t.Timeline) - 1; i >= 0; i-- {
		s := &t.Timeline[i]
		for _, f := range s.Facts {
			if r, ok := f.(event.Received); ok && !s.Voided && !s.Inherited && r.Carrier != "" {
				return []event.Key{r.Carrier}
			}
		}
	}
	return nil
}

// standsBack is how long a box that came and was never finished is told.
const standsBack = 24 * time.Hour

// boxes lists what stands here unfinished, and what is on the way here.
func (d *desk) boxes() {
	m := d.p.a.model
	var keys []event.Key
	for key := range d.p.watch.moving {
		keys = append(keys, key)
	}
	for key, at := range d.p.watch.stands {
		if at >= d.now.Add(-standsBack) {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	at := map[string]event.Key{}
	for part := range slices.Chunk(slices.Compact(keys), boxesAtOnce) {
		m.World(func(w *custody.World) {
			for _, key := range part {
				if row, ok := d.box(w, key); ok {
					d.page.Boxes = append(d.page.Boxes, row)
					at[row.ID] = key
				}
			}
		})
	}
	for i := range d.page.Boxes {
		row := &d.page.Boxes[i]
		if at, c, ok := m.LastTemperature(at[row.ID]); ok {
			row.Temp = web.Temp{At: at, C: c, Evidence: event.EvidenceMeasured}
		}
	}
	for i := range d.page.Boxes {
		if row := &d.page.Boxes[i]; row.Here {
			d.loggers(at[row.ID], row.Arrived)
		}
	}
}

// box gives a carrier that is here with something in it, or on the way here.
func (d *desk) box(w *custody.World, key event.Key) (web.HatchBox, bool) {
	n := names{w}
	c, ok := w.Carrier(key)
	if !ok {
		return web.HatchBox{}, false
	}
	row := d.head(n, key, c)
	if !row.Here && (!c.Moving || !d.here(towards(w, c))) {
		return row, false
	}
	for _, tube := range d.p.watch.inside.of(w, key) {
		if row.Here {
			// A rack of received tubes stands here too, and nobody waits for it.
			if t, ok := w.Tube(tube); !ok || t.Received.Is() {
				continue
			}
		}
		row.Tubes++
		if _, up := d.views[tube]; up {
			row.Flags++
		}
	}
	return row, row.Tubes > 0
}

func (d *desk) head(n names, key event.Key, c *custody.Carrier) web.HatchBox {
	row := web.HatchBox{ID: key.Label(), Name: n.carrier(key), Holder: n.place(c.Holder), From: c.Holder}
	if at, _, _ := d.arrival(c); at != 0 {
		row.Here, row.Arrived = true, at
		row.From = ""
		return row
	}
	if c.Departed.Is() {
		row.Due = web.Due{Earliest: c.Due, Latest: c.Due}
	}
	return row
}

// arrival is when a carrier came here last, by whom and by which scan, zero while it is
// on the way or elsewhere.
func (d *desk) arrival(c *custody.Carrier) (at event.Instant, by, scan string) {
	if c.Moving || !d.here(c.Place) && !d.here(c.Holder) {
		return 0, "", ""
	}
	for i := len(c.Timeline) - 1; i >= 0; i-- {
		s := &c.Timeline[i]
		if s.Voided {
			continue
		}
		for _, f := range s.Facts {
			switch f.(type) {
			case event.Arrived, event.TakenOver:
				if !d.here(s.Record.Place) {
					continue
				}
				if !s.Inherited {
					scan = s.Record.ID
				}
				return s.At(), s.Record.Actor, scan
			case event.Departed:
				return 0, "", ""
			}
		}
	}
	// It was described or packed here and never left: it did not come.
	return 0, "", ""
}

// loggers looks whether the loggers on a carrier were read up to its arrival.
func (d *desk) loggers(key event.Key, arrived event.Instant) []web.HatchLogger {
	m := d.p.a.model
	var out []web.HatchLogger
	every := event.Instant(0)
	m.World(func(w *custody.World) {
		for _, a := range w.LoggersOf(custody.Target{Kind: event.KindCarrier, Key: key}) {
			if a.Until != 0 && a.Until < arrived || a.From > d.now {
				continue
			}
			l, _ := w.Logger(a.Logger)
			every = max(every, event.Instant(l.EveryMs))
			out = append(out, web.HatchLogger{ID: a.Logger.Label(), Zone: l.Zone})
		}
	})
	for i := range out {
		l := &out[i]
		if read, _, ok := m.LastTemperature(key); ok {
			l.Read = read
		}
		l.Behind = arrived != 0 && l.Read < arrived-every
		if l.Behind && d.unread[key] == "" {
			d.unread[key] = l.ID + " was never read"
			if l.Read != 0 {
				d.unread[key] = fmt.Sprintf("%s has not been read since %s", l.ID, d.clock(l.Read))
			}
		}
	}
	return out
}

func (d *desk) clock(at event.Instant) string {
	zone := d.page.Zone
	if zone == nil {
		zone = time.UTC
	}
	return at.Time().In(zone).Format("15:04")
}

// samples lists the new samples that concern this place.
func (d *desk) samples() {
	m := d.p.a.model
	all := m.Samples(d.key.place, live.SampleStates()...)
	m.World(func(w *custody.World) {
		n := names{w}
		for i := range all {
			s := &all[i]
			row := web.HatchSample{
				Draw: s.Draw.Label(), Place: n.place(s.Place), Collector: s.Collector, DrawnAt: s.DrawnAt, State: s.State, Tests: s.Tests,
				By: s.By, Reason: s.Reason, At: s.At, DrawnUl: s.DrawnUl, Needed: s.Needed, NewDraw: s.NewDraw.Label(),
			}
			for _, t := range s.Tubes {
				row.Tubes = append(row.Tubes, t.Label())
			}
			if draw, ok := w.Draw(s.Draw); ok {
				row.Whole = len(draw.Tubes) == len(s.Tubes)
			}
			d.page.Samples = append(d.page.Samples, row)
		}
	})
}
