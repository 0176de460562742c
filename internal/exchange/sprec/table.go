package sprec

import (
	"fmt"
	"slices"
	"strings"
)

// Version is the version of the standard that codes are made by and read as.
// Store it beside a code: later versions give other letters.
const Version = "SPREC 2.0"

// The seven elements of a fluid code, in order.
const (
	Type = iota
	Container
	PreDelay
	FirstSpin
	SecondSpin
	PostDelay
	Storage
	elements
)

// elementNames are the descriptors of Table 1 of the standard.
var elementNames = [elements]string{
	"type of sample", "type of primary container", "delay before the first centrifugation", "centrifugation",
	"second centrifugation", "delay after centrifugation", "long-term storage",
}

// Name gives the name of element i, 0 to 6, as in the constants.
func Name(i int) string { return elementNames[i] }

// meaning is one row of the standard's table.
type meaning struct{ code, words string }

// The rows of Table 1 of SPREC 2.0 (Lehmann and others, Biopreserv Biobank
// 2012;10:366). Elements 1, 2 and the first rows of 3 were seen in a stored copy
// of the table. The other rows are second-hand: an open transcription of all
// seven elements (RCS-validation-package, sprec2_fluid_reference.csv), with
// element 7 held against the lists of SPRECLib. Codes that stand for one maker's
// device are left out on purpose: such a container is ZZZ.
var table = [elements][]meaning{
	Type: {
		{"ASC", "ascites fluid"}, {"AMN", "amniotic fluid"}, {"BAL", "bronchoalveolar lavage"}, {"BLD", "whole blood"},
		{"BMA", "bone marrow aspirate"}, {"BMK", "breast milk"}, {"BUC", "buccal cells"},
		{"BUF", "buffy coat without gradient, viable"}, {"BFF", "buffy coat without gradient, not viable"},
		{"CEL", "mononuclear cells from a gradient, viable"}, {"CEN", "fresh cells not from blood"},
		{"CLN", "cells not from blood, viable"}, {"CRD", "cord blood"}, {"CSF", "cerebrospinal fluid"},
		{"DWB", "dried whole blood"}, {"NAS", "nasal washing"}, {"PEL", "mononuclear cells from a gradient, not viable"},
		{"PEN", "cells not from blood, not viable"}, {"PFL", "pleural fluid"}, {"PL1", "plasma, spun once"}, {"PL2", "plasma, spun twice"},
		{"RBC", "red blood cells"}, {"SAL", "saliva"}, {"SEM", "semen"}, {"SER", "serum"}, {"SPT", "sputum"}, {"STL", "stool"},
		{"SYN", "synovial fluid"}, {"TER", "tears"}, {"U24", "urine, 24 h"}, {"URN", "urine, random"},
		{"URM", "urine, first of the morning"}, {"URT", "urine, timed"}, {"ZZZ", "other"},
	},
	Container: {
		{"ACD", "acid citrate dextrose"}, {"ADD", "additives"}, {"CAT", "serum tube without clot activator"},
		{"CPD", "citrate phosphate dextrose"}, {"EDG", "EDTA and gel"}, {"HEP", "lithium heparin"}, {"HIR", "hirudin"},
		{"LHG", "lithium heparin and gel"}, {"PED", "potassium EDTA"}, {"PET", "sterile polyethylene tube"},
		{"PIX", "protease inhibitors"}, {"PPS", "sterile polypropylene tube"}, {"SCI", "sodium citrate"}, {"SED", "sodium EDTA"},
		{"SHP", "sodium heparin"}, {"SPO", "sodium fluoride and potassium oxalate"},
		{"SST", "serum separator tube with clot activator"}, {"TRC", "trace elements tube"}, {"XXX", "unknown"}, {"ZZZ", "other"},
	},
	PreDelay: {
		{"A", "less than 2 h at room temperature"}, {"B", "less than 2 h at 2 to 10 °C"},
		{"C", "2 to 4 h at room temperature"}, {"D", "2 to 4 h at 2 to 10 °C"},
		{"E", "4 to 8 h at room temperature"}, {"F", "4 to 8 h at 2 to 10 °C"},
		{"G", "8 to 12 h at room temperature"}, {"H", "8 to 12 h at 2 to 10 °C"},
		{"I", "12 to 24 h at room temperature"}, {"J", "12 to 24 h at 2 to 10 °C"},
		{"K", "24 to 48 h at room temperature"}, {"L", "24 to 48 h at 2 to 10 °C"},
		{"M", "more than 48 h at room temperature"}, {"N", "more than 48 h at 2 to 10 °C"},
		{"O", "less than 2 h at 35 to 38 °C"}, {"X", "unknown"}, {"Z", "other"},
	},
	FirstSpin: append(slices.Clone(spinRows),
		meaning{"M", "room temperature, 30 min, less than 1000 g, without braking"},
		meaning{"N", "not centrifuged"}, meaning{"X", "unknown"}, meaning{"Z", "other"}),
	SecondSpin: append(slices.Clone(spinRows),
		meaning{"N", "not centrifuged a second time"}, meaning{"X", "unknown"}, meaning{"Z", "other"}),
	PostDelay: {
		{"A", "less than 1 h at 2 to 10 °C"}, {"B", "less than 1 h at room temperature"},
		{"C", "1 to 2 h at 2 to 10 °C"}, {"D", "1 to 2 h at room temperature"},
		{"E", "2 to 8 h at 2 to 10 °C"}, {"F", "2 to 8 h at room temperature"},
		{"G", "8 to 24 h at 2 to 10 °C"}, {"H", "8 to 24 h at room temperature"},
		// Readings of the table disagree on whether I and J end at 48 h; before that they agree.
		{"I", "more than 24 h at 2 to 10 °C"}, {"J", "more than 24 h at room temperature"},
		{"N", "not applicable"}, {"X", "unknown"}, {"Z", "other"},
	},
	Storage: {
		{"A", "polypropylene tube 0.5 to 2 mL, -85 to -60 °C"}, {"B", "polypropylene tube 0.5 to 2 mL, -35 to -18 °C"},
		{"V", "polypropylene tube 0.5 to 2 mL, below -135 °C"},
		{"C", "cryotube 1 to 2 mL, liquid nitrogen"}, {"D", "cryotube 1 to 2 mL, -85 to -60 °C"},
		{"E", "cryotube 1 to 2 mL, programmed freezing to below -135 °C"},
		{"F", "plastic cryo straw, liquid nitrogen"},
		{"G", "straw, -85 to -60 °C"}, {"H", "straw, -35 to -18 °C"},
		// SPRECLib has G here, a letter it has given out already, and straw for cryo straw in O.
		{"I", "straw, programmed freezing to below -135 °C"},
		{"J", "polypropylene tube of 5 mL or more, -85 to -60 °C"}, {"K", "polypropylene tube of 5 mL or more, -35 to -18 °C"},
		{"L", "microplate, -85 to -60 °C"}, {"M", "microplate, -35 to -18 °C"},
		{"N", "cryotube 1 to 2 mL, liquid nitrogen after a time at -85 to -60 °C"},
		{"O", "plastic cryo straw, liquid nitrogen after a time at -85 to -60 °C"},
		{"P", "paraffin block, room temperature or 2 to 10 °C"}, {"Q", "bag, liquid nitrogen"},
		{"R", "dry technology medium, room temperature"},
		{"S", "polypropylene tube 40 to 500 µL, -85 to -60 °C"}, {"T", "polypropylene tube 40 to 500 µL, -35 to -18 °C"},
		{"W", "polypropylene tube 40 to 500 µL, below -135 °C"},
		{"Y", "original primary container, -35 to -18 °C or -85 to -60 °C"}, {"X", "unknown"}, {"Z", "other"},
	},
}

// spinRows are the rows that both centrifugations share.
var spinRows = []meaning{
	{"A", "room temperature, 10 to 15 min, less than 3000 g, without braking"},
	{"B", "room temperature, 10 to 15 min, less than 3000 g, with braking"},
	{"C", "2 to 10 °C, 10 to 15 min, less than 3000 g, without braking"},
	{"D", "2 to 10 °C, 10 to 15 min, less than 3000 g, with braking"},
	{"E", "room temperature, 10 to 15 min, 3000 to 6000 g, with braking"},
	{"F", "2 to 10 °C, 10 to 15 min, 3000 to 6000 g, with braking"},
	{"G", "room temperature, 10 to 15 min, 6000 to 10000 g, with braking"},
	{"H", "2 to 10 °C, 10 to 15 min, 6000 to 10000 g, with braking"},
	{"I", "room temperature, 10 to 15 min, more than 10000 g, with braking"},
	{"J", "2 to 10 °C, 10 to 15 min, more than 10000 g, with braking"},
}

// Meaning gives the words of a code of element i, 0 to 6, and whether the table has it.
func Meaning(i int, code string) (words string, known bool) {
	for _, m := range table[i] {
		if m.code == code {
			return m.words, true
		}
	}
	return "", false
}

// Codes lists the codes of element i, 0 to 6, in the order of the table.
func Codes(i int) []string {
	codes := make([]string, len(table[i]))
	for k, m := range table[i] {
		codes[k] = m.code
	}
	return codes
}

// Code is a fluid code, element by element.
type Code [elements]string

// String gives the elements joined by hyphens, for example SER-SST-A-A-N-A-A.
func (c Code) String() string { return strings.Join(c[:], "-") }

// ParseError says which part of a code can't be read.
type ParseError struct {
	Element int    // 1 to 7 as the standard counts; 0: the code as a whole
	Got     string // the part, shortened
	Problem string
	Remedy  string
}

// Error names the element, what is wrong and the remedy.
func (e *ParseError) Error() string {
	where := "SPREC code"
	if e.Element > 0 {
		where = fmt.Sprintf("SPREC element %d (%s)", e.Element, elementNames[e.Element-1])
	}
	return fmt.Sprintf("%s: %q %s; %s", where, e.Got, e.Problem, e.Remedy)
}

// Parse reads a fluid code of seven elements, TYP-CON-P-C-S-D-L: capital letters
// and digits, hyphens between, nothing around it. The error is a *ParseError.
// A code of the standard that names one maker's device is refused like one that
// isn't in the table.
func Parse(text string) (Code, error) {
	parts := strings.SplitN(text, "-", elements+1)
	if len(parts) != elements {
		return Code{}, &ParseError{Got: short(text), Problem: "does not have seven elements",
			Remedy: "write TYP-CON-P-C-S-D-L, for example SER-SST-A-A-N-A-A"}
	}
	for i, part := range parts {
		if _, known := Meaning(i, part); known {
			continue
		}
		e := &ParseError{Element: i + 1, Got: short(part), Problem: "is not in the table of " + Version, Remedy: "use one of " + strings.Join(Codes(i), ", ")}
		if _, upper := Meaning(i, strings.ToUpper(strings.TrimSpace(part))); upper {
			e.Problem, e.Remedy = "is not written as in the table", "use capital letters without spaces"
		}
		return Code{}, e
	}
	return Code(parts), nil
}

// short keeps a message short whatever was handed in.
func short(text string) string {
	const longest = 40
	if runes := []rune(text); len(runes) > longest {
		return string(runes[:longest]) + "…"
	}
	return text
}
