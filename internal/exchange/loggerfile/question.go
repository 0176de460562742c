package loggerfile

import "specimen.example/custody/internal/event"

// Field is what a question is about.
type Field string

// The closed list of what can be asked. Beside each the field of Said that
// answers it.
const (
	FieldDelimiter   Field = "delimiter"          // Delimiter
	FieldTime        Field = "time-column"        // TimeColumn, and ClockColumn for a choice like "1+2"
	FieldTemperature Field = "temperature-column" // TemperatureColumn
	FieldDecimal     Field = "decimal"            // Decimal
	FieldUnit        Field = "unit"               // Unit
	FieldDateOrder   Field = "date-order"         // DateOrder
	FieldZone        Field = "zone"               // Zone
	FieldDoubled     Field = "doubled-hour"       // DoubledHour
)

// Fields lists every field that can be asked.
func Fields() []Field {
	return []Field{FieldDelimiter, FieldTime, FieldTemperature, FieldDecimal, FieldUnit, FieldDateOrder, FieldZone, FieldDoubled}
}

// Question is one thing that must be answered before a file counts.
type Question struct {
	Field   Field
	Text    string // the question in plain words
	Why     string // why it is asked, empty when the text says it
	Choices []Choice
	Open    bool // values beside the choices are allowed: any zone
	Samples []Sample
}

// Choice is one possible answer and what would follow of it.
type Choice struct {
	Value string // of the field of Said; columns as "3" or "1+2"
	Text  string
	// First and Last are the range of instants of the file with this answer, 0
	// when another answer is needed for them; the local times are what clocks
	// showed, without zone while it isn't known.
	First, Last           event.Instant
	FirstLocal, LastLocal string
	// Outside says that no reading would lie within the caller's window.
	Outside bool
	// Implausible says that the answer makes most rows something that can't be
	// measured or read.
	Implausible bool
}

// Sample is a value of the file about which is asked.
type Sample struct {
	Line int
	Text string
}

// Answer gives s with a choice of a question put in. ok is false for a value
// that the field can't have.
func (s Said) Answer(field Field, value string) (said Said, ok bool) {
	switch field {
	case FieldDelimiter:
		s.Delimiter = value
	case FieldDecimal:
		s.Decimal = value
	case FieldUnit:
		s.Unit = value
	case FieldDateOrder:
		s.DateOrder = value
	case FieldZone:
		s.Zone = value
	case FieldDoubled:
		s.DoubledHour = value
	case FieldTime:
		one, two, both := cutColumns(value)
		s.TimeColumn, s.ClockColumn = one, two
		return s, one > 0 && (two > 0 || !both)
	case FieldTemperature:
		s.TemperatureColumn, _ = readDigits(value, 4)
		return s, s.TemperatureColumn > 0
	default:
		return s, false
	}
	wrong, _, _ := s.check(nil)
	return s, value != "" && wrong == ""
}

// cutColumns reads "3" or "1+2".
func cutColumns(value string) (one, two int, both bool) {
	one, n := readDigits(value, 4)
	if n < len(value) && value[n] == '+' {
		both = true
		two, _ = readDigits(value[n+1:], 4)
	}
	return one, two, both
}
