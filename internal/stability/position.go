package stability

import "specimen.example/custody/internal/thermal"

// OutsideNow reports whether the tube stands, at the end of its history, surely
// outside every band of the limit that was used: moving it would help.
func (j *Judgement) OutsideNow(hist []thermal.Segment) bool {
	if j.Rule == nil || j.Ended != 0 || len(hist) == 0 {
		return false
	}
	last := &hist[len(hist)-1]
	if last.Evidence == thermal.Unknown {
		return false
	}
	for i := range j.Rule.Limits {
		l := &j.Rule.Limits[i]
		if last.Low1 <= l.High && last.High1 >= l.Low {
			return false
		}
	}
	return true
}
