package memlog_test

import (
	"testing"

	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
	"specimen.example/custody/internal/eventlog/memlog"
)

func TestMemlogKeepsTheContract(t *testing.T) {
	logtest.Run(t, func(t *testing.T) eventlog.Log {
		l := memlog.New()
		t.Cleanup(func() { _ = l.Close() })
		return l
	})
}
