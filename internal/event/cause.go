package event

// CauseKind is the kind of thing that several flags can come from.
type CauseKind string

// The kinds of causes. The empty one says that the tube stands for itself.
const (
	CauseNone   CauseKind = ""
	CauseBox    CauseKind = "box"
	CauseLogger CauseKind = "logger"
	CauseRoute  CauseKind = "route"
)

// CauseKinds lists every kind of cause.
func CauseKinds() []CauseKind { return []CauseKind{CauseNone, CauseBox, CauseLogger, CauseRoute} }

// Cause is what the flags of several tubes come from: this box, this logger (of a room
// or a fridge), this route. Nothing is decided by it; it gathers what one person can see
// to at once.
type Cause struct {
	Kind CauseKind
	Name string // its label, empty with CauseNone
}
