package stability

import (
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/thermal"
)

// OutsideNow reports whether the tube stands, at the end of its history, surely
// outside every band of the limit that was used: moving it would help. By says how far
// inside a band it must be to count as inside, 0.01 °C.
func (j *Judgement) OutsideNow(hist []thermal.Segment, by event.CentiC) bool {
	if j.Rule == nil || j.Ended != 0 || len(hist) == 0 {
		return false
	}
	return j.Rule.outside(&hist[len(hist)-1], by)
}

// outside reports whether the end of a segment lies surely outside every band.
func (r *Rule) outside(last *thermal.Segment, by event.CentiC) bool {
	if last.Evidence == thermal.Unknown {
		return false
	}
	for i := range r.Limits {
		l := &r.Limits[i]
		by := min(by, (l.High-l.Low)/2) // a narrow band has a middle all the same
		if last.Low1 <= l.High-by && last.High1 >= l.Low+by {
			return false
		}
	}
	return true
}
