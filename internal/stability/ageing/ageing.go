// Package ageing keeps the use of every open tube up to date without touching
// the tubes: all tubes of one thermal source age alike on one rate curve, so one
// ageing clock F(t) per source and curve holds the integral, the use of a tube is
// a difference of two clock values, and one queue per clock knows which tube
// meets its next level first. It is pure: no clock, lock or float; time is an
// argument. Package vigil uses it to know which tubes must be judged again; package
// stability stays the judge and the oracle.
//
// # Units
//
// The judge (stability/budget.go) counts in units of a rule's budget: the budget
// is the least common multiple of the limits of the rule's bands, and one ms in a
// band uses budget/limit units. It rounds nothing: the ms from t to t+1 counts
// whole, by the exact temperature at t on the whole line between two readings, so
// a crossing of a band's edge falls on a whole ms and sums are free of the places
// at which a history is cut. Clocks count the same: a RateCurve gives whole units
// per ms, F is a sum over whole ms, and a clock value is in the curve's own units.
// There is no unit common to all curves and no rounding per segment; the 2^-24
// reference ms of a continuous curve would be a second kind of RateCurve, which no
// rule has so far.
//
// What the judge adds up maps onto curves as follows; each is a RateCurve of its
// own, so a rule needs as many as it has of these:
//
//   - use of the budget, worst and best: Upper and Lower of a region's weights,
//     unknown time by the largest and the least weight;
//   - hard use: the Lower clock of the hard weights (levels CertainOnly);
//   - minutes outside on a side, possibly and surely: rate 1 beyond the edge and
//     0 elsewhere, 0 in unknown time; the upper clock is "maybe", the lower "sure";
//   - ms in all: rate 1 everywhere, for rules that combine by the strictest band.
//
// The judge's "more than the limit" is the level limit+1, "at the limit" the level
// itself, and eighty percent the level limit-limit/5. What is no sum
// over ms of a rate (runs without a break, two readings in a row, bands visited, kinds of
// evidence) shows as signs on a Scale, see Sight. Every
// account of a tube runs from the tube's first move to its end: a limit that counts
// from a change of state or ends sooner is a tube of its own here, moved alike.
//
// # What the caller keeps
//
// Facts of the future: they count when they are told, so whoever tells them waits
// until their time has come. Layers of a carrier, from the inside out (see
// thermal.Layer): a box that goes into another van is a Change of its source. Rules
// that stay: levels and curves are not changed once added; a new version of a rule
// is new ones.
package ageing
