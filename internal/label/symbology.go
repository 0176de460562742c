package label

import "strings"

// Symbology is what the reader said of the symbol: its identifier of ISO/IEC 15424
// and what follows from it. The identifier is made by the reader; the symbol
// doesn't hold it.
type Symbology struct {
	ID   string // "]d2"; empty when the reader said nothing
	Name string // "Data Matrix"
	GS1  bool   // the data are GS1 element strings, FNC1 first implied
	// Digits is how many digits the symbol holds, check digit included; 0 for any.
	Digits int
}

// symbologies are the identifiers of ISO/IEC 15424 as readers' manuals and the GS1
// syntax engine have them. Code 39 and Codabar differ from maker to maker in what
// a modifier says of the check, so nothing is concluded from it.
var symbologies = func() map[string]Symbology {
	all := map[string]Symbology{}
	add := func(letter byte, modifiers, name string, gs1 string, digits int) {
		for i := 0; i < len(modifiers); i++ {
			id := "]" + string([]byte{letter, modifiers[i]})
			all[id] = Symbology{ID: id, Name: name, GS1: strings.IndexByte(gs1, modifiers[i]) >= 0, Digits: digits}
		}
	}
	add('A', "01234567", "Code 39", "", 0)
	add('C', "0124", "Code 128", "1", 0)
	add('E', "0", "EAN-13", "", 13)
	add('E', "4", "EAN-8", "", 8)
	add('F', "0124", "Codabar", "", 0)
	add('I', "013", "Interleaved 2 of 5", "", 0)
	add('L', "012345", "PDF417", "", 0)
	// ]d3 to ]d6: FNC1 second, or with ECI (]d5: FNC1 first and ECI).
	add('d', "0123456", "Data Matrix", "25", 0)
	// ]Q4: FNC1 first and ECI.
	add('Q', "0123456", "QR", "34", 0)
	add('e', "0", "GS1 DataBar", "0", 0)
	add('z', "0123456789ABC", "Aztec", "", 0)
	return all
}()

// SymbologyOf gives what an identifier says. ok is false for one that isn't in
// the list.
func SymbologyOf(id string) (s Symbology, ok bool) {
	s, ok = symbologies[id]
	return s, ok
}

// splitSymbology takes the identifier off the front of what a reader sent.
func splitSymbology(data string) (s Symbology, rest string, ok bool) {
	if len(data) < 3 || data[0] != ']' {
		return Symbology{}, data, false
	}
	s, ok = SymbologyOf(data[:3])
	if !ok {
		return Symbology{}, data, false
	}
	return s, data[3:], true
}
