package spinload

import (
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The vectors of the house's facts of stability, section 3.9: forces to a tenth of g,
// and speeds to a tenth of a turn.
func TestRCFVectors(t *testing.T) {
	for _, c := range []struct{ mm, perMin, tenthsG int64 }{
		{100, 3000, 10062}, {160, 3000, 16099}, {172, 3500, 23556}, {180, 4000, 32198}, {150, 2500, 10481},
	} {
		milli, err := RCF(c.mm, c.perMin)
		if err != nil || (milli+50)/100 != c.tenthsG {
			t.Errorf("r %d mm, %d per minute: %d thousandths of g, %v; want %d tenths", c.mm, c.perMin, milli, err, c.tenthsG)
		}
	}
	for _, c := range []struct{ g, mm, tenths int64 }{{1500, 160, 28958}, {2000, 172, 32250}, {1300, 100, 34100}} {
		n, err := PerMin(c.mm, c.g)
		if off := 10*n - c.tenths; err != nil || off < -5 || off > 5 {
			t.Errorf("%d g at r %d mm: %d per minute, %v; want %d tenths", c.g, c.mm, n, err, c.tenths)
		}
	}
}

func TestRCFRefuses(t *testing.T) {
	for _, c := range []struct {
		call func(a, b int64) (int64, error)
		a, b int64
		want string
	}{
		{RCF, 0, 3000, "radius in mm: 0 is outside 1 to 1000; give a number between"},
		{RCF, 1001, 3000, "radius in mm: 1001 is"},
		{RCF, 100, -1, "turns per minute: -1 is"},
		{RCF, 100, 200_001, "turns per minute: 200001 is"},
		{PerMin, 0, 2000, "radius in mm: 0 is"},
		{PerMin, 100, -1, "g: -1 is"},
		{PerMin, 100, 1_000_001, "g: 1000001 is"},
	} {
		if _, err := c.call(c.a, c.b); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%d, %d: got %v, want %q", c.a, c.b, err, c.want)
		}
	}
}

// The speed is the nearest whole one, looked for in numbers without bounds, and back
// gives the force to within what one turn makes.
func TestLawSpeedAndForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mm := rapid.Int64Range(1, mostMm).Draw(t, "mm")
		g := rapid.Int64Range(0, mostG).Draw(t, "g")
		n, err := PerMin(mm, g)
		if err != nil {
			t.Fatal(err)
		}
		// force is 4 * 1118 mm n^2 for a doubled n, compared with 4 * g * 10^9.
		force := func(doubled int64) *big.Int {
			out := new(big.Int).Mul(big.NewInt(doubled), big.NewInt(doubled))
			return out.Mul(out, big.NewInt(factor*mm))
		}
		want := new(big.Int).Mul(big.NewInt(4*g), big.NewInt(1000*per))
		if n > 0 && force(2*n-1).Cmp(want) > 0 || force(2*n+1).Cmp(want) <= 0 {
			t.Fatalf("%d g at %d mm: %d per minute is not the nearest", g, mm, n)
		}
		if n > mostPerMin {
			return
		}
		back, err := RCF(mm, n)
		if err != nil {
			t.Fatal(err)
		}
		if off, turn := back-1000*g, (factor*mm*(2*n+1))/per+1; off > turn || off < -turn {
			t.Fatalf("%d g at %d mm: %d per minute make %d thousandths of g", g, mm, n, back)
		}
	})
}
