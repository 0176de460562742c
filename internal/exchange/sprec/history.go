// Package sprec decides the sample pre-analytical code (SPREC 2.0, fluids) of a
// tube from its history. A code says less than the history and must not say
// more: where the history leaves two codes open, the element is "unknown" with
// the reason, and what the table has no row for is "other".
package sprec

import (
	"errors"
	"fmt"

	"specimen.example/custody/internal/event"
)

// Answer is yes, no, or nothing known.
type Answer int8

// The answers.
const (
	Unknown Answer = iota
	No
	Yes
)

// Bounds hold a number that is known to lie between two values, both inside.
// The zero value means that nothing is known.
type Bounds struct {
	Known     bool
	Low, High int64
}

// Exactly gives the bounds of a number that is known.
func Exactly(n int64) Bounds { return Bounds{Known: true, Low: n, High: n} }

// Range holds a temperature between two values in 0.01 °C, both inside. The
// zero value means that nothing is known.
type Range struct {
	Known     bool
	Low, High event.CentiC
}

// Stretch is a part of a delay, in milliseconds, with the temperature it was
// spent at. Longer stretches with wide ranges say less than short ones.
type Stretch struct {
	Ms   int64
	Temp Range
}

// Delay is a time between two steps.
type Delay struct {
	Ms Bounds // milliseconds
	// At is the temperature over the delay. The lengths count as weights, so they
	// need not add up to Ms, which may be a range.
	At []Stretch
}

// Spin is one centrifugation.
type Spin struct {
	Done  Answer
	G     Bounds // times standard gravity
	Ms    Bounds // running time as programmed, in milliseconds
	Temp  Range
	Brake Answer
}

// Additive is what the primary container holds, in words of the trade. It comes
// from the laboratory's catalogue, never from the colour of a cap.
type Additive string

// The additives that have a code of their own. AnyOther is one that has none;
// the empty value means that it isn't known.
const (
	NoAdditive        Additive = "none"
	ClotActivator     Additive = "clot-activator"
	LithiumHeparin    Additive = "lithium-heparin"
	SodiumHeparin     Additive = "sodium-heparin"
	PotassiumEDTA     Additive = "potassium-edta"
	SodiumEDTA        Additive = "sodium-edta"
	SodiumCitrate     Additive = "sodium-citrate"
	AcidCitrate       Additive = "acid-citrate-dextrose"
	CitratePhosphate  Additive = "citrate-phosphate-dextrose"
	FluorideOxalate   Additive = "fluoride-oxalate"
	Hirudin           Additive = "hirudin"
	ProteaseInhibitor Additive = "protease-inhibitors"
	TraceElements     Additive = "trace-elements"
	AnyOther          Additive = "other"
)

// Plasma is the material whose code follows from the number of spins.
const Plasma = "plasma"

// Vessel is what a specimen is stored in for long.
type Vessel string

// The vessels of the table; AnyVessel is one that it doesn't have. The empty
// value means that it isn't known.
const (
	PPTube       Vessel = "pp-tube"       // polypropylene, 0.5 to 2 mL
	PPTubeLarge  Vessel = "pp-tube-large" // polypropylene, 5 mL or more
	PPTubeMicro  Vessel = "pp-tube-micro" // polypropylene, 40 to 500 µL
	Cryotube     Vessel = "cryotube"      // 1 to 2 mL
	CryoStraw    Vessel = "cryo-straw"    // plastic, for liquid nitrogen
	Straw        Vessel = "straw"
	Microplate   Vessel = "microplate"
	ParaffinWax  Vessel = "paraffin-block"
	Bag          Vessel = "bag"
	DryMedium    Vessel = "dry-medium"
	PrimaryTube  Vessel = "primary-container"
	AnyVessel    Vessel = "other"
	notSaidWhere Vessel = ""
)

// Cooling is how the storage temperature is kept or was reached.
type Cooling string

// The ways of the table. The empty value is a store with the temperature given.
const (
	AtTemperature        Cooling = ""
	LiquidNitrogen       Cooling = "liquid-nitrogen"
	NitrogenAfterFreezer Cooling = "liquid-nitrogen-after-freezer" // first -85 to -60 °C
	ProgrammedFreezing   Cooling = "programmed-freezing"           // to below -135 °C
)

// Store is the long-term storage.
type Store struct {
	Done    Answer // No: not stored yet
	Vessel  Vessel
	Cooling Cooling
	Temp    Range // asked for AtTemperature only
}

// History is what the caller knows of a tube, from custody and from its
// temperature history.
type History struct {
	// Material is a code of the first element (see Codes), or Plasma. Empty: not known.
	Material string
	Additive Additive
	Gel      Answer // whether the primary container holds a separating gel
	// Room is the laboratory's declared room temperature. The standard's table
	// says "room temperature" without a number, so none is assumed here: while it
	// is not declared, only delays and spins in the cold or the warm have a code.
	Room Range
	// Before is the delay from collection to the first spin, or to processing
	// where the specimen isn't spun.
	Before Delay
	First  Spin
	Second Spin
	After  Delay // from the end of the last spin to storage, or to now
	Store  Store
}

// The temperatures of the table, both ends inside.
var (
	cold     = Range{true, 2_00, 10_00}
	warm     = Range{true, 35_00, 38_00}
	freezer  = Range{true, -85_00, -60_00}
	freezer2 = Range{true, -35_00, -18_00}
)

// belowDeep is the end of the coldest class: strictly below.
const belowDeep event.CentiC = -135_00

// longestMs bounds a delay, so that no sum overflows: a hundred years.
const longestMs = 100 * 366 * 24 * 3_600_000

// most stretches of one delay.
const maxStretches = 100_000

// check refuses a history that can't be meant. All problems are told at once.
func (h *History) check() error {
	var found []error
	fault := func(field, problem, remedy string) {
		found = append(found, fmt.Errorf("%s: %s; %s", field, problem, remedy))
	}
	if h.Material != "" && h.Material != Plasma {
		if _, known := Meaning(Type, h.Material); !known {
			fault("Material", fmt.Sprintf("%q is no code of the type of sample", short(h.Material)), "use one of Codes(Type), or Plasma")
		}
	}
	if _, known := plainCode[h.Additive]; !known && h.Additive != "" && h.Additive != AnyOther {
		fault("Additive", fmt.Sprintf("%q is not a known additive", short(string(h.Additive))), "use a constant of Additive")
	}
	ranges := func(field string, r Range) {
		if r.Known && r.Low > r.High {
			fault(field, "the first temperature is warmer than the second", "give the colder one first")
		}
	}
	bounds := func(field string, b Bounds, most int64) {
		if b.Known && (b.Low < 0 || b.Low > b.High || b.High > most) {
			fault(field, fmt.Sprintf("%d to %d is no range", b.Low, b.High), fmt.Sprintf("give two numbers from 0 to %d, the smaller one first", most))
		}
	}
	delay := func(field string, d Delay) {
		bounds(field+".Ms", d.Ms, longestMs)
		if len(d.At) > maxStretches {
			fault(field+".At", fmt.Sprintf("has %d stretches", len(d.At)), fmt.Sprintf("give at most %d", maxStretches))
			return
		}
		for i, s := range d.At {
			ranges(fmt.Sprintf("%s.At[%d].Temp", field, i), s.Temp)
			if s.Ms < 0 || s.Ms > longestMs {
				fault(fmt.Sprintf("%s.At[%d].Ms", field, i), "is no length of time", "give milliseconds from 0")
			}
		}
	}
	spin := func(field string, s Spin) {
		bounds(field+".G", s.G, 1_000_000)
		bounds(field+".Ms", s.Ms, longestMs)
		ranges(field+".Temp", s.Temp)
	}
	ranges("Room", h.Room)
	if h.Room.Known && h.Room.Low <= h.Room.High && (h.Room.Low <= cold.High || h.Room.High >= warm.Low) {
		fault("Room", "reaches into 2 to 10 °C or 35 to 38 °C, which have codes of their own", "declare the room's range between them")
	}
	delay("Before", h.Before)
	delay("After", h.After)
	spin("First", h.First)
	spin("Second", h.Second)
	ranges("Store.Temp", h.Store.Temp)
	if h.First.Done == No && h.Second.Done == Yes {
		fault("Second.Done", "there is a second spin without a first", "correct one of the two")
	}
	if _, known := vesselCodes[h.Store.Vessel]; !known && h.Store.Vessel != AnyVessel && h.Store.Vessel != notSaidWhere {
		fault("Store.Vessel", fmt.Sprintf("%q is not a known vessel", short(string(h.Store.Vessel))), "use a constant of Vessel")
	}
	switch h.Store.Cooling {
	case AtTemperature, LiquidNitrogen, NitrogenAfterFreezer, ProgrammedFreezing:
	default:
		fault("Store.Cooling", fmt.Sprintf("%q is not a known way of cooling", short(string(h.Store.Cooling))), "use a constant of Cooling")
	}
	return errors.Join(found...)
}
