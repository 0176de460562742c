package rehearse_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/story"
	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// Files are played one after another on benches of their own; what stops one
// doesn't stop the next, and rules are found beside the story.
func TestRun(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	rules, err := os.ReadFile("../../../testdata/stories/fixture.yaml")
	if err != nil {
		t.Fatal(err)
	}
	write("limits.yaml", string(rules))
	good := write("good.story", "rules limits.yaml\nday 2026-11-24\n08:00Z see TB1 by=lena at=LAB\nexpect answer recorded\nexpect answer refused held\n")
	bad := write("bad.story", "day 2026-11-24\n08:00Z fly TB1\n")
	opened, closed := 0, 0
	var got *fake
	newBench := func(ctx context.Context) (story.Bench, func() error, error) {
		f, conn := newFake(t)
		f.will("GetTube", func() (proto.Message, error) { return &custodyv1.Tube{}, nil })
		opened, got = opened+1, f
		return rehearse.New(conn, rehearse.WithContext(ctx)), func() error { closed++; return nil }, nil
	}
	var out bytes.Buffer
	passed, failed, err := rehearse.Run(t.Context(), []string{bad, good, filepath.Join(dir, "nowhere.story")}, newBench, &out)
	if passed != 1 || failed != 1 || opened != 1 || closed != 1 {
		t.Errorf("%d passed, %d failed, %d benches opened, %d closed", passed, failed, opened, closed)
	}
	var mistakes story.Mistakes
	if !errors.As(err, &mistakes) || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("both stopped stories are told: %v", err)
	}
	if text := out.String(); !strings.Contains(text, "good.story:5: expected answer refused held, found answer recorded") || !strings.HasSuffix(text, "\n1 passed, 1 failed\n") {
		t.Errorf("report %q", text)
	}
	if adopted := last[*stabilityv1.AdoptRulesRequest](t, got); adopted.File != string(rules) || adopted.By == "" {
		t.Errorf("the rules beside the story: by %q, %d bytes", adopted.By, len(adopted.File))
	}
	if scan := last[*custodyv1.RecordScansRequest](t, got).Scans[0]; scan.Label.Text != "TB1" || scan.Mode != "live" {
		t.Errorf("scan: %v", scan)
	}
}
