package specimendefinition

import (
	"math/big"
	"regexp"

	"specimen.example/custody/internal/event"
)

// ucum is the system of every unit that is read.
const ucum = "http://unitsofmeasure.org"

// The units of time of UCUM that a limit may have, in milliseconds. A year is
// the mean Julian year of 365.25 days and a month its twelfth, as UCUM defines
// a and mo. Other units are refused rather than guessed.
var timeUnits = map[string]int64{
	"ms": 1, "s": 1000, "min": 60_000, "h": 3_600_000, "d": 86_400_000, "wk": 7 * 86_400_000,
	"mo": 2_629_800_000, "a": 31_557_600_000,
}

// decimalForm is FHIR's decimal (R4 and R5, datatypes), with the exponent held
// to two digits: no time or temperature needs more.
var decimalForm = regexp.MustCompile(`^-?(0|[1-9][0-9]{0,14})(\.[0-9]{1,12})?([eE][+-]?[0-9]{1,2})?$`)

// decimal reads a number exactly.
func decimal(text string) (*big.Rat, bool) {
	if !decimalForm.MatchString(text) {
		return nil, false
	}
	return new(big.Rat).SetString(text)
}

// longestMs bounds a duration far inside int64: ten thousand years.
const longestMs = 10_000 * 31_557_600_000

// milliseconds converts a duration exactly. Problem is empty when it could.
func milliseconds(value *big.Rat, unit string) (ms int64, problem string) {
	r := new(big.Rat).Mul(value, new(big.Rat).SetInt64(timeUnits[unit]))
	switch {
	case r.Sign() < 0:
		return 0, "is negative"
	case r.Sign() == 0:
		return 0, "is no time at all"
	case r.Cmp(new(big.Rat).SetInt64(longestMs)) > 0:
		return 0, "is longer than ten thousand years"
	case !r.IsInt():
		return 0, "is not a whole number of milliseconds"
	}
	return r.Num().Int64(), ""
}

// The units of temperature of UCUM, as °C = (value - minus) x times.
var temperatureUnits = map[string]struct{ minus, times *big.Rat }{
	"Cel":    {new(big.Rat), big.NewRat(1, 1)},
	"K":      {big.NewRat(27315, 100), big.NewRat(1, 1)},
	"[degF]": {big.NewRat(32, 1), big.NewRat(5, 9)},
}

// hundredths converts a temperature to 0.01 °C. Exact is false when it falls
// between two hundredths; c is then the one below.
func hundredths(value *big.Rat, unit string) (c event.CentiC, exact bool, problem string) {
	u := temperatureUnits[unit]
	r := new(big.Rat).Sub(value, u.minus)
	r.Mul(r, u.times).Mul(r, big.NewRat(100, 1))
	if r.Cmp(big.NewRat(-27315, 1)) < 0 || r.Cmp(big.NewRat(1000_00, 1)) > 0 {
		return 0, false, "is no temperature of a tube"
	}
	floor := new(big.Int).Div(r.Num(), r.Denom()) // Euclidean: rounds down, the denominator is positive
	return event.CentiC(floor.Int64()), r.IsInt(), ""
}
