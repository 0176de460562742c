package sprec

import (
	"fmt"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// Element is one element of a code and why it is so.
type Element struct {
	Code   string // "" only for the type of sample, which has no code for unknown
	Reason string // one sentence in plain words
}

// Result is a code with its reasons.
type Result struct {
	// Code is the whole code; zero where the type of sample isn't known, for which
	// the standard has no code.
	Code     Code
	Complete bool // Code is set
	Elements [elements]Element
}

// Encode gives the code of a history and, element by element, the reason. An
// element is X (or XXX) where the history leaves more than one code open, Z (or
// ZZZ) where the table has no row for what is known. Classes of time include
// their lower end and not their upper; the table itself doesn't say. An error
// names each field of a history that contradicts itself.
func Encode(h History) (Result, error) {
	if err := h.check(); err != nil {
		return Result{}, err
	}
	r := Result{Elements: [elements]Element{
		Type:       h.material(),
		Container:  h.container(),
		PreDelay:   h.before(),
		FirstSpin:  h.spin(h.First, true),
		SecondSpin: h.second(),
		PostDelay:  h.after(),
		Storage:    h.storage(),
	}}
	r.Complete = r.Elements[Type].Code != ""
	if r.Complete {
		for i, e := range r.Elements {
			r.Code[i] = e.Code
		}
	}
	return r, nil
}

// found makes an element of the codes that are possible: one is the code,
// several are unknown. Because says what leaves them open.
func found(i int, possible []string, because string) Element {
	slices.Sort(possible)
	possible = slices.Compact(possible)
	if len(possible) == 1 {
		words, _ := Meaning(i, possible[0])
		if possible[0] == "Z" {
			return Element{"Z", because + ": the table has no row for it"}
		}
		return Element{possible[0], because + ": " + words}
	}
	shown := possible
	if len(shown) > 4 {
		shown = append(slices.Clone(shown[:3]), "another")
	}
	return Element{"X", because + ": could be " + strings.Join(shown, " or ")}
}

func (h *History) material() Element {
	switch {
	case h.Material == "":
		return Element{"", "the material is not known, and the standard has no code for that"}
	case h.Material != Plasma:
		words, _ := Meaning(Type, h.Material)
		return Element{h.Material, words}
	case h.First.Done == No:
		return Element{"", "it is called plasma but was not spun"}
	case h.First.Done == Yes && h.Second.Done == No:
		return Element{"PL1", "plasma, spun once"}
	case h.First.Done == Yes && h.Second.Done == Yes:
		return Element{"PL2", "plasma, spun twice"}
	}
	return Element{"", "it is not known how often the plasma was spun: could be PL1 or PL2"}
}

// plainCode is the container of an additive without gel; withGel, the one with gel.
var (
	plainCode = map[Additive]string{
		NoAdditive: "CAT", LithiumHeparin: "HEP", SodiumHeparin: "SHP", PotassiumEDTA: "PED", SodiumEDTA: "SED", SodiumCitrate: "SCI",
		AcidCitrate: "ACD", CitratePhosphate: "CPD", FluorideOxalate: "SPO", Hirudin: "HIR", ProteaseInhibitor: "PIX", TraceElements: "TRC",
		// The table has a serum tube without activator, and one with activator and gel; nothing between.
		ClotActivator: "ZZZ",
	}
	withGel = map[Additive]string{ClotActivator: "SST", LithiumHeparin: "LHG", PotassiumEDTA: "EDG", SodiumEDTA: "EDG"}
)

func (h *History) container() Element {
	if h.Additive == "" {
		return Element{"XXX", "the additive of the tube is not known"}
	}
	if h.Additive == AnyOther {
		return Element{"ZZZ", "the table has no row for this container"}
	}
	plain, gel := plainCode[h.Additive], withGel[h.Additive]
	if gel == "" {
		gel = "ZZZ"
	}
	code := plain
	switch {
	case h.Gel == Yes:
		code = gel
	case h.Gel == Unknown && plain != gel:
		return Element{"XXX", fmt.Sprintf("it is not known whether the tube has a gel: could be %s or %s", plain, gel)}
	}
	if code == "ZZZ" {
		with := "without gel"
		if h.Gel == Yes {
			with = "with gel"
		}
		return Element{"ZZZ", fmt.Sprintf("the table has no row for %s %s", strings.ReplaceAll(string(h.Additive), "-", " "), with)}
	}
	words, _ := Meaning(Container, code)
	return Element{code, words}
}

// climate is a class of temperature.
type climate int

const (
	inRoom climate = iota
	inCold
	inWarm
	elsewhere // outside all of them, or now here, now there
)

// climates gives the classes that a temperature can lie in.
func (h *History) climates(t Range) []climate {
	if !t.Known {
		return []climate{inRoom, inCold, inWarm, elsewhere}
	}
	var all []climate
	for c, r := range h.classes() {
		switch {
		case !r.Known:
			if climate(c) == inRoom && !outsideRoom(t) {
				all = append(all, inRoom)
			}
		case t.Low >= r.Low && t.High <= r.High:
			return []climate{climate(c)}
		case t.Low <= r.High && r.Low <= t.High:
			all = append(all, climate(c))
		}
	}
	return append(all, elsewhere)
}

// outsideRoom tells whether t can't be a room's temperature whatever is declared:
// it lies wholly in what has a code of its own, or beyond.
func outsideRoom(t Range) bool { return t.High <= cold.High || t.Low >= warm.Low }

func (h *History) classes() [3]Range { return [3]Range{inRoom: h.Room, inCold: cold, inWarm: warm} }

// mostPercent is how much of a delay must lie in one class for the delay to be
// called so. Our rule: the table does not speak of mixed delays.
const mostPercent = 95

// over gives the classes that a whole delay can be called, and why there are several.
func (h *History) over(d Delay) (all []climate, why string) {
	var total int64
	var sure, maybe [3]int64
	for _, s := range d.At {
		total += s.Ms
		possible := h.climates(s.Temp)
		for _, c := range possible {
			switch {
			case c == elsewhere:
			case len(possible) == 1:
				sure[c] += s.Ms
			default:
				maybe[c] += s.Ms
			}
		}
	}
	if total == 0 {
		return h.climates(Range{}), "no temperature is known"
	}
	enough := func(ms int64) bool { return ms >= total-total*(100-mostPercent)/100 }
	for c := range sure {
		if enough(sure[c]) {
			return []climate{climate(c)}, ""
		}
		if enough(sure[c] + maybe[c]) {
			all = append(all, climate(c))
		}
	}
	if len(all) == 0 {
		return []climate{elsewhere}, fmt.Sprintf("no class of temperature holds for %d %% of the time", mostPercent)
	}
	why = "the temperature is not known closely enough"
	if !h.Room.Known && slices.Contains(all, inRoom) {
		why = "room temperature is not declared"
	}
	return append(all, elsewhere), why
}

const hourMs = 3_600_000

// rows gives the classes of a table that bounds can lie in; starts are the lower ends.
func rows(b Bounds, starts []int64) []int {
	var all []int
	for i, start := range starts {
		ends := b.High
		if i+1 < len(starts) {
			ends = starts[i+1] - 1
		}
		if !b.Known || b.Low <= ends && b.High >= start {
			all = append(all, i)
		}
	}
	return all
}

var (
	beforeStarts = []int64{0, 2 * hourMs, 4 * hourMs, 8 * hourMs, 12 * hourMs, 24 * hourMs, 48 * hourMs}
	afterStarts  = []int64{0, hourMs, 2 * hourMs, 8 * hourMs, 24 * hourMs, 48 * hourMs}
)

func (h *History) before() Element {
	return h.delay(PreDelay, h.Before, beforeStarts, [3]string{inRoom: "ACEGIKM", inCold: "BDFHJLN", inWarm: "OZZZZZZ"})
}

func (h *History) after() Element {
	switch h.First.Done {
	case No:
		return Element{"N", "not spun"}
	case Unknown:
		return Element{"X", "it is not known whether the tube was spun"}
	}
	// Past 48 h one reading of the table has no letter and another has I and J:
	// a letter would not be understood alike.
	return h.delay(PostDelay, h.After, afterStarts, [3]string{inRoom: "BDFHJZ", inCold: "ACEGIZ", inWarm: "ZZZZZZ"})
}

// delay looks the time and the temperature of a delay up; letters are by class.
func (h *History) delay(i int, d Delay, starts []int64, letters [3]string) Element {
	times := rows(d.Ms, starts)
	temps, why := h.over(d)
	var possible []string
	for _, t := range times {
		for _, c := range temps {
			code := "Z"
			if c != elsewhere {
				code = letters[c][t : t+1]
			}
			possible = append(possible, code)
		}
	}
	var because []string
	if d.Ms.Known {
		because = append(because, span(d.Ms))
	} else {
		because = append(because, "the time is not known")
	}
	if why != "" {
		because = append(because, why)
	}
	if i == PostDelay && slices.Contains(times, len(starts)-1) && d.Ms.Known {
		because = append(because, "readings of the table disagree past 48 h")
	}
	return found(i, possible, strings.Join(because, ", "))
}

func (h *History) second() Element {
	if h.First.Done == No {
		return Element{"N", "not spun"}
	}
	return h.spin(h.Second, false)
}

const minuteMs = 60_000

// The classes of force: the table leaves 6000 g in two rows; by the same
// convention as for times it is the upper one. 10000 g itself is not more than
// 10000 g.
var forceStarts = []int64{0, 1000, 3000, 6000, 10001}

// The classes of running time; both ends of 10 to 15 min are inside.
var runStarts = []int64{0, 10 * minuteMs, 15*minuteMs + 1, 30 * minuteMs, 30*minuteMs + 1}

// spin looks a centrifugation up. Only the first may be the long gentle one (M).
func (h *History) spin(s Spin, first bool) Element {
	i := SecondSpin
	if first {
		i = FirstSpin
	}
	switch s.Done {
	case No:
		words, _ := Meaning(i, "N")
		return Element{"N", words}
	case Unknown:
		if first {
			return Element{"X", "it is not known whether the tube was spun"}
		}
		return Element{"X", "it is not known whether the tube was spun a second time"}
	}
	brakes := []Answer{s.Brake}
	if s.Brake == Unknown {
		brakes = []Answer{No, Yes}
	}
	var possible []string
	for _, force := range rows(s.G, forceStarts) {
		for _, run := range rows(s.Ms, runStarts) {
			for _, c := range h.climates(s.Temp) {
				for _, brake := range brakes {
					possible = append(possible, spinCode(force, run, c, brake == Yes, first))
				}
			}
		}
	}
	var because []string
	say := func(known bool, text, missing string) {
		if !known {
			text = missing
		}
		because = append(because, text)
	}
	say(s.Temp.Known, celsius(s.Temp), "temperature not known")
	say(s.Ms.Known, span(s.Ms), "running time not known")
	say(s.G.Known, numbers(s.G)+" g", "force not known")
	say(s.Brake != Unknown, map[Answer]string{No: "without braking", Yes: "with braking"}[s.Brake], "braking not known")
	if !h.Room.Known && (!s.Temp.Known || !outsideRoom(s.Temp)) {
		because = append(because, "room temperature is not declared")
	}
	return found(i, possible, strings.Join(because, ", "))
}

// spinCode is the letter of one class of force, running time and temperature.
func spinCode(force, run int, c climate, brake, first bool) string {
	if c != inRoom && c != inCold {
		return "Z"
	}
	if first && run == 3 && force == 0 && c == inRoom && !brake {
		return "M"
	}
	if run != 1 {
		return "Z"
	}
	letters := [2]string{inRoom: "ABEGI", inCold: "CDFHJ"}[c]
	switch {
	case force <= 1 && !brake:
		return letters[0:1]
	case force <= 1:
		return letters[1:2]
	case brake:
		return letters[force : force+1]
	}
	return "Z"
}

// vesselCodes gives the letters of a vessel by the way it is kept: freezer,
// warmer freezer, below -135 °C, liquid nitrogen, nitrogen after the freezer,
// programmed freezing.
var vesselCodes = map[Vessel]string{
	PPTube: "ABVZZZ", PPTubeLarge: "JKZZZZ", PPTubeMicro: "STWZZZ", Cryotube: "DZZCNE", CryoStraw: "ZZZFOZ", Straw: "GHZZZI",
	Microplate: "LMZZZZ", Bag: "ZZZQZZ", PrimaryTube: "YYZZZZ",
	// Kept unfrozen where the table has them.
	ParaffinWax: "ZZZZZZ", DryMedium: "ZZZZZZ",
}

func (h *History) storage() Element {
	s := &h.Store
	switch s.Done {
	case No:
		return Element{"X", "not stored yet"}
	case Unknown:
		return Element{"X", "it is not known whether it was stored"}
	}
	switch s.Vessel {
	case notSaidWhere:
		return Element{"X", "the vessel it is stored in is not known"}
	case AnyVessel:
		return Element{"Z", "the table has no row for this vessel"}
	}
	letters := vesselCodes[s.Vessel]
	name := strings.ReplaceAll(string(s.Vessel), "-", " ")
	if at := map[Cooling]int{LiquidNitrogen: 3, NitrogenAfterFreezer: 4, ProgrammedFreezing: 5}[s.Cooling]; at > 0 {
		return found(Storage, []string{letters[at : at+1]}, name+", "+strings.ReplaceAll(string(s.Cooling), "-", " "))
	}
	because := name + ", temperature not known"
	if s.Temp.Known {
		because = name + ", " + celsius(s.Temp)
	}
	if s.Vessel != ParaffinWax && s.Vessel != DryMedium {
		return found(Storage, s.kept(letters), because)
	}
	unfrozen := map[Vessel][2]string{ParaffinWax: {inRoom: "P", inCold: "P"}, DryMedium: {inRoom: "R", inCold: "Z"}}[s.Vessel]
	var possible []string
	for _, c := range h.climates(s.Temp) {
		code := "Z"
		if c == inRoom || c == inCold {
			code = unfrozen[c]
		}
		possible = append(possible, code)
	}
	if !h.Room.Known && (!s.Temp.Known || !outsideRoom(s.Temp)) {
		because += ", room temperature is not declared"
	}
	return found(Storage, possible, because)
}

// kept gives the letters of a store that is kept at a temperature.
func (s *Store) kept(letters string) []string {
	t := s.Temp
	if !t.Known {
		return []string{letters[0:1], letters[1:2], letters[2:3], "Z"}
	}
	var possible []string
	for i, r := range []Range{freezer, freezer2, {true, -300_00, belowDeep - 1}} {
		switch {
		case t.Low >= r.Low && t.High <= r.High:
			return []string{letters[i : i+1]}
		case t.Low <= r.High && r.Low <= t.High:
			possible = append(possible, letters[i:i+1])
		}
	}
	return append(possible, "Z")
}

// span shows a time, or the two that it lies between.
func span(b Bounds) string {
	if b.Low == b.High {
		return clock(b.Low)
	}
	return clock(b.Low) + " to " + clock(b.High)
}

func clock(ms int64) string {
	switch {
	case ms >= hourMs && ms%minuteMs == 0:
		if ms%hourMs == 0 {
			return fmt.Sprintf("%d h", ms/hourMs)
		}
		return fmt.Sprintf("%d h %02d min", ms/hourMs, ms%hourMs/minuteMs)
	case ms%minuteMs == 0:
		return fmt.Sprintf("%d min", ms/minuteMs)
	case ms%1000 == 0:
		return fmt.Sprintf("%d s", ms/1000)
	}
	return fmt.Sprintf("%d ms", ms)
}

func numbers(b Bounds) string {
	if b.Low == b.High {
		return fmt.Sprint(b.Low)
	}
	return fmt.Sprintf("%d to %d", b.Low, b.High)
}

func celsius(r Range) string {
	if r.Low == r.High {
		return degrees(r.Low) + " °C"
	}
	return degrees(r.Low) + " to " + degrees(r.High) + " °C"
}

// degrees shows hundredths without closing zeros: -20, 2.5.
func degrees(c event.CentiC) string {
	sign := ""
	n := int64(c)
	if n < 0 {
		sign, n = "-", -n
	}
	text := fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}
