package app_test

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/story"
)

func storyFiles(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("../../testdata/stories/*.story")
	if err != nil || len(files) == 0 {
		t.Fatalf("no stories: %v", err)
	}
	return files
}

// someStories are those that are played in every form: the cases, and each tenth of
// the courier's days and of the labels that are refused, which have more of the same
// and leave little in the log. STORIES=all plays all, as make soak does.
func someStories(t *testing.T) []string {
	t.Helper()
	all := storyFiles(t)
	if os.Getenv("STORIES") == "all" {
		return all
	}
	more := 0
	prefixes := []string{"courier-", "scn-", "numbers-"}
	return slices.DeleteFunc(all, func(file string) bool {
		if !slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(filepath.Base(file), p) }) {
			return false
		}
		more++
		return more%10 != 1
	})
}

// play runs one story on a daemon that start gives and reports every failed
// expectation by the story's own file and line.
func play(t *testing.T, file string, start func(ctx context.Context) (*app.InProcess, error)) {
	t.Helper()
	ctx := t.Context()
	var out bytes.Buffer
	_, failed, err := rehearse.Run(ctx, []string{file}, func(ctx context.Context) (story.Bench, func() error, error) {
		in, err := start(ctx)
		if err != nil {
			return nil, nil, err
		}
		restart := func(ctx context.Context) (grpc.ClientConnInterface, error) { return in.Conn(), in.Restart(ctx) }
		return rehearse.New(in.Conn(), rehearse.WithContext(ctx), rehearse.WithRestart(restart)), in.Close, nil
	}, &out)
	if err != nil || failed > 0 {
		t.Errorf("%v\n%s", err, out.String())
	}
}

func TestStoriesInMemory(t *testing.T) {
	for _, file := range storyFiles(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			play(t, file, app.Memory)
		})
	}
}

func TestStoriesOnJetStream(t *testing.T) {
	for _, file := range someStories(t) {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			play(t, file, func(ctx context.Context) (*app.InProcess, error) {
				return app.Inside(ctx, slog.New(slog.DiscardHandler), func(ctx context.Context) (eventlog.Log, error) {
					return eventlog.Open(ctx, eventlog.Options{Dir: dir, Volume: "2026", BreakEven: 8})
				})
			})
		})
	}
}
