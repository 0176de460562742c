package app

import (
	"os"
	"runtime/debug"
)

// gcPercent lets the heap grow to five times what is alive before it is swept: the
// model is small beside a machine's memory, and a scan leaves little behind. The
// memory limit still holds.
const gcPercent = 400

// TuneMemory sets how often memory is swept, unless GOGC says it.
func TuneMemory() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
}
