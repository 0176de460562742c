package web

import (
	"context"
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

const rangeCaution = "A declared range is an assumption, and somebody answers for it. Where no logger measured, tubes are judged by it: too wide, and good tubes can't be released; too narrow, and bad ones look fit."

var housePlaces = houseKind{
	path: "places", one: "place", many: "places",
	lead:    "Where tubes are drawn, left, carried, received and kept, with the temperature that is assumed there while no logger measures.",
	caution: rangeCaution,
	empty: []string{
		"Begin with the reception: its time zone is that of all screens.",
		"Then a place for each ward or clinic that draws, and for each vehicle.",
		"Five to ten places with a range are enough for a first day without loggers.",
	},
	columns: []string{"Place", "Kind", "Assumed there", "Answers for it", "Also"},
	ids:     func(h *House) []string { return idsOf(h.Places, func(p HousePlace) string { return p.ID }) },
	rows: func(h *House, c clock) []houseRow {
		rows := make([]houseRow, len(h.Places))
		for i, p := range h.Places {
			say, who := p.Range.cells(c, "nothing declared: “cannot say” without a logger")
			var also []string
			if p.BenchSpinMin > 0 {
				also = append(also, fmt.Sprintf("accepted here counts as spun within %d min", p.BenchSpinMin))
			}
			if p.Relabel {
				also = append(also, "tubes may get another number here")
			}
			if p.Spins {
				also = append(also, "spun here before they leave")
			}
			if p.SecondPerson {
				also = append(also, "two persons identify")
			}
			if len(p.Identify) > 0 {
				also = append(also, "patients identified by "+wordOf(identifyings, identifyingOf(p.Identify)))
			}
			if p.MostDrawPermille > 0 {
				also = append(also, "at most "+percentOf(p.MostDrawPermille)+" of a patient's blood in 24 h")
			}
			if p.Kind == placeCentrifuge {
				also = append(also, p.Rotor.words())
			}
			rows[i] = houseRow{ID: p.ID, Say: p.Name, Cells: []houseCell{
				{Say: wordOf(placeKinds, p.Kind), More: p.Zone}, say, who, {Say: strings.Join(also, "; ")},
			}}
		}
		return rows
	},
	load: func(h *House, i int) url.Values {
		p := h.Places[i]
		v := p.Range.values(h)
		v.Set("id", p.ID)
		v.Set("name", p.Name)
		v.Set("kind", p.Kind)
		v.Set("zone", p.Zone)
		if p.BenchSpinMin > 0 {
			v.Set("benchSpinMinutes", strconv.FormatInt(p.BenchSpinMin, 10))
		}
		setTick(v, "relabel", p.Relabel)
		v.Set("identify", identifyingOf(p.Identify))
		setTick(v, "secondPerson", p.SecondPerson)
		setTick(v, "spins", p.Spins)
		if p.MostDrawPermille > 0 {
			v.Set("mostDrawPermille", strconv.FormatInt(p.MostDrawPermille, 10))
		}
		p.Rotor.set(v)
		return v
	},
	groups: func(_ *House, f *houseSaid, fresh bool) []houseGroup {
		what := houseGroup{Legend: "The place", Fields: []houseField{
			f.text("name", "Name", "as people here call it"), f.pick("kind", "Kind", "", "", placeKinds),
			f.text("zone", "Time zone", "as in Europe/Berlin; empty: that of the reception"),
		}}
		if fresh {
			what.Fields = append([]houseField{f.must("id", "Code", "on its label, for example HATCH-1; it stays for ever")}, what.Fields...)
		}
		return []houseGroup{what, f.rangeGroup("Temperature that is assumed there"), f.rotorGroup(), {Legend: "What happens here", Fields: []houseField{
			f.number("benchSpinMinutes", "Spun within, minutes", "a tube accepted here counts as spun within so many minutes; empty: it counts only when it is scanned at the centrifuge"),
			f.tick("relabel", "A tube may get another number here", "by two persons and with a reason"),
			f.tick("spins", "Tubes are spun here before they leave", "phones then offer spinning to those who may"),
		}}, {Legend: "Drawing blood here", Note: "For places that draw. Local procedure decides; the phone follows what is declared.", Fields: []houseField{
			f.pick("identify", "Patients are identified by", "the wristband", "the first way is offered first", identifyings),
			f.tick("secondPerson", "Two persons identify", "the phone then asks for a second badge at each patient"),
			f.number("mostDrawPermille", "Most blood in 24 hours, permille of the patient's", "25 is 2.5 %; guidelines allow 1 to 5 % (Howie 2011); empty: the phone shows the volume and judges nothing"),
		}}}
	},
	declare: func(ctx context.Context, src HouseSource, h *House, f *houseSaid, by string) (string, error) {
		p := HousePlace{
			ID: f.said("id"), Name: f.said("name"), Kind: f.said("kind"), Zone: f.said("zone"), Range: f.declaredRange(h),
			BenchSpinMin: f.whole("benchSpinMinutes", 0), Relabel: f.said("relabel") == "yes",
			Identify: commaParts(f.said("identify")), SecondPerson: f.said("secondPerson") == "yes", Spins: f.said("spins") == "yes",
			MostDrawPermille: f.whole("mostDrawPermille", 0), Rotor: f.rotor(),
		}
		f.checkRotor(p.Kind, p.Rotor)
		f.needs("kind", p.Kind, "choose what kind of place it is: the steps that are offered there follow from it")
		if len(f.faults) > 0 {
			return "", nil
		}
		return src.DeclarePlace(ctx, p, by)
	},
}

var houseCarriers = houseKind{
	path: "carriers", one: "box or bag", many: "boxes and bags",
	lead:    "Boxes, bags, racks and flasks that tubes travel in. One that was never declared can be scanned all the same; what it is like inside is then not known.",
	caution: rangeCaution,
	empty: []string{
		"Declare the boxes and bags that go round, with the temperature assumed inside.",
		"Print their labels under Print.",
	},
	columns: []string{"Number", "Kind", "Assumed inside", "Answers for it"},
	ids:     func(h *House) []string { return idsOf(h.Carriers, func(c HouseCarrier) string { return c.ID }) },
	rows: func(h *House, c clock) []houseRow {
		rows := make([]houseRow, len(h.Carriers))
		for i, b := range h.Carriers {
			none := "nothing declared: as warm as around it"
			more := ""
			if b.OwnClimate {
				none, more = "nothing declared: “cannot say” without a logger", "own climate"
			}
			say, who := b.Range.cells(c, none)
			rows[i] = houseRow{ID: b.ID, Cells: []houseCell{{Say: wordOf(carrierKinds, b.Kind), More: more}, say, who}}
		}
		return rows
	},
	load: func(h *House, i int) url.Values {
		b := h.Carriers[i]
		v := b.Range.values(h)
		v.Set("id", b.ID)
		v.Set("kind", b.Kind)
		setTick(v, "ownClimate", b.OwnClimate)
		return v
	},
	groups: func(_ *House, f *houseSaid, fresh bool) []houseGroup {
		what := houseGroup{Legend: "What it is", Fields: []houseField{
			f.pick("kind", "Kind", "", "", carrierKinds),
			f.tick("ownClimate", "It has a climate of its own", "an ice pouch, a heated flask, an insulated box: it takes no temperature from the place around it"),
		}}
		if fresh {
			what.Fields = append([]houseField{f.must("id", "Number", "as it stands on its label")}, what.Fields...)
		}
		return []houseGroup{what, f.rangeGroup("Temperature that is assumed inside")}
	},
	declare: func(ctx context.Context, src HouseSource, h *House, f *houseSaid, by string) (string, error) {
		b := HouseCarrier{ID: f.said("id"), Kind: f.said("kind"), OwnClimate: f.said("ownClimate") == "yes", Range: f.declaredRange(h)}
		f.needs("kind", b.Kind, "choose what it is")
		if len(f.faults) > 0 {
			return "", nil
		}
		return src.DeclareCarrier(ctx, b, by)
	},
}

func idsOf[T any](list []T, id func(T) string) []string {
	out := make([]string, len(list))
	for i, one := range list {
		out[i] = id(one)
	}
	return out
}

func setTick(v url.Values, name string, on bool) {
	if on {
		v.Set(name, "yes")
	}
}

// needs notes a field that must be filled in, unless it was found wrong already.
func (f *houseSaid) needs(field, value, say string) {
	if value == "" {
		f.fault(field, say)
	}
}

func (f *houseSaid) rangeGroup(legend string) houseGroup {
	return houseGroup{Legend: legend, ID: "assumed", Note: "Leave both ends empty to declare nothing.", Fields: []houseField{
		f.text("assumed.low", "From, °C", "both ends belong to it"), f.text("assumed.high", "To, °C", "for example 24 or 21.5"),
		f.text("basis", "Why it is believed", "a thermometer read twice a day, a logger left there for a week").wide(),
		f.text("owner", "Who answers for it", "a staff code").from("people"),
		f.field("date", "review", "To be looked at again on", "heating and summer change a room; empty: never, and nobody will"),
	}}
}

// declaredRange reads a range. Whoever declares one says who answers for it, and why: the
// judge takes it for true.
func (f *houseSaid) declaredRange(h *House) HouseRange {
	r := HouseRange{
		Low: decimalPoint(f.said("assumed.low")), High: decimalPoint(f.said("assumed.high")),
		Basis: f.said("basis"), Owner: f.said("owner"), Review: f.day("review", h.Zone),
	}
	if r.declared() {
		f.needs("owner", r.Owner, "say who answers for the range: tubes are judged by it where nothing was measured")
		f.needs("basis", r.Basis, "say why the range is believed, for who asks in a year")
	}
	return r
}

// decimalPoint takes the comma that many keyboards have for a decimal point, and a minus
// sign as it is printed.
func decimalPoint(text string) string {
	return strings.NewReplacer(",", ".", "−", "-").Replace(text)
}

func (r HouseRange) values(h *House) url.Values {
	return url.Values{
		"assumed.low": {trimDegrees(r.Low)}, "assumed.high": {trimDegrees(r.High)}, "basis": {r.Basis}, "owner": {r.Owner},
		"review": {houseDate(h.Zone, r.Review)},
	}
}

// trimDegrees leaves out closing zeros: "20.00" is "20".
func trimDegrees(text string) string {
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

func (r HouseRange) words() string {
	low, high := strings.Replace(trimDegrees(r.Low), "-", "−", 1), strings.Replace(trimDegrees(r.High), "-", "−", 1)
	if low == high {
		return low + " °C"
	}
	return low + " to " + high + " °C"
}

// overdue tells whether the range should have been looked at by now.
func (r HouseRange) overdue(now event.Instant) bool {
	return r.declared() && r.Review != 0 && r.Review <= now
}

// cells are the columns of a range: what is assumed, and who answers for it.
func (r HouseRange) cells(c clock, none string) (say, who houseCell) {
	if !r.declared() {
		return houseCell{Say: none, Mark: levelAbsent}, houseCell{Say: "nobody"}
	}
	say = houseCell{Say: r.words(), More: r.Basis}
	who.Say = r.Owner
	if r.Owner == "" {
		who = houseCell{Say: "nobody", Mark: levelAsk}
	}
	now := event.At(c.now)
	switch {
	case r.overdue(now):
		who.Mark, who.More = levelSoon, "review overdue since "+houseDay(c, r.Review)+" ("+length(int64(now-r.Review))+")"
	case r.Review != 0:
		who.More = "to be looked at again on " + houseDay(c, r.Review)
	default:
		who.More = "never looked at again"
	}
	return say, who
}
