package custody

import (
	"cmp"
	"slices"
	"sort"

	"specimen.example/custody/internal/event"
)

// The indexes only narrow what is looked at: an entry may be stale (its fact was
// voided), so nothing derived is read from an index alone.

func (w *World) index(self Target, rec *event.Record, agg *aggregate) {
	w.eachPlace(self, rec, func(key event.Key) { agg.join(entry(w.scannedAt, key, crowd{of: key})) })
	for _, fact := range rec.Facts {
		switch self.Kind {
		case event.KindTube:
			w.indexTubeFact(self.Key, fact)
		case event.KindRequest:
			if f, ok := fact.(event.TubeAssigned); ok {
				addTo(w.byRequest, self.Key, f.Tube)
				addTo(w.assigned, f.Tube, self.Key)
			}
		case event.KindDraw:
			w.indexDrawFact(self.Key, rec, fact)
		case event.KindLogger:
			if f, ok := fact.(event.LoggerAttached); ok {
				addTo(w.loggersOn, attachedTo(f), self.Key)
			}
		}
		if f, ok := fact.(event.Departed); ok && f.Route != "" {
			agg.join(entry(w.onRoute, f.Route, crowd{of: f.Route, way: true}))
		}
	}
}

func (w *World) indexTubeFact(tube event.Key, fact event.Fact) {
	switch f := fact.(type) {
	case event.TubePrepared:
		w.indexTube(tube, f.Request, "")
	case event.Collected:
		w.indexTube(tube, f.Request, f.Draw)
	case event.Reidentified:
		w.indexTube(tube, f.Request, "")
	case event.DerivedFrom:
		addTo(w.children, f.Parent, tube)
	case event.SameMaterialAs:
		addTo(w.children, f.Tube, tube)
	case event.SplitInto:
		for _, part := range f.Tubes {
			addTo(w.splits, part, tube)
			addTo(w.children, tube, part)
		}
	}
}

func (w *World) indexDrawFact(draw event.Key, rec *event.Record, fact event.Fact) {
	switch f := fact.(type) {
	case event.RecollectionAsked:
		for _, tube := range f.Tubes {
			addTo(w.asked, tube, draw)
		}
	case event.DrawStarted:
		list, s := w.drawStarts[rec.Device], startOf(rec)
		at := sort.Search(len(list), func(i int) bool { return s.before(&list[i]) })
		w.drawStarts[rec.Device] = slices.Insert(list, at, s)
	}
}

// drawStart is where the scan that opened a draw stands among those of its device.
type drawStart struct {
	draw      event.Key
	id        string
	occurred  event.Instant
	deviceSeq int64
	seq       uint64
}

func startOf(rec *event.Record) drawStart {
	return drawStart{draw: rec.Key, id: rec.ID, occurred: rec.Occurred, deviceSeq: rec.DeviceSeq, seq: rec.Seq}
}

// before is the order of event.Record's Before on one device.
func (s *drawStart) before(o *drawStart) bool {
	return cmp.Or(cmp.Compare(s.occurred, o.occurred), cmp.Compare(s.deviceSeq, o.deviceSeq), cmp.Compare(s.id, o.id), cmp.Compare(s.seq, o.seq)) < 0
}

func (w *World) unindexDraw(old *event.Record) {
	if holds[event.DrawStarted](old.Facts) {
		s := startOf(old)
		list := fitted(slices.DeleteFunc(w.drawStarts[old.Device], func(o drawStart) bool { return o == s }))
		if w.drawStarts[old.Device] = list; len(list) == 0 {
			delete(w.drawStarts, old.Device)
		}
	}
}

func (w *World) indexTube(tube, request, draw event.Key) {
	if request != "" {
		addTo(w.byRequest, request, tube)
	}
	if draw != "" {
		addTo(w.byDraw, draw, tube)
	}
}

// eachPlace hands over where a tube or carrier was by a record, and what it was left for or
// taken from: places and people.
func (w *World) eachPlace(self Target, rec *event.Record, f func(event.Key)) {
	if self.Kind != event.KindTube && self.Kind != event.KindCarrier {
		return
	}
	name := func(place string) {
		if key := w.spell(place); key != "" {
			f(key)
		}
	}
	name(rec.Place)
	for _, fact := range rec.Facts {
		switch f := fact.(type) {
		case event.Stored:
			name(f.Place)
		case event.Released:
			name(f.To)
		case event.TakenOver:
			name(f.From)
		case event.Received:
			name(f.From)
		}
	}
}

// attachedTo names what a logger was put on.
func attachedTo(f event.LoggerAttached) Target {
	if f.ToKind == string(event.KindPlace) {
		return Target{event.KindPlace, f.To}
	}
	return Target{event.KindCarrier, f.To}
}
