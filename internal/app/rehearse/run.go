package rehearse

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"specimen.example/custody/internal/story"
)

// Run plays story files one after another, each on a bench of its own, and
// prints every failed expectation and, last, "N passed, N failed". Rule files
// and imports are looked for beside the story. newBench gives a bench over a
// fresh daemon and how to end it.
//
// The error joins what stopped a story: a file that can't be read or
// understood, a daemon that failed. The other files are played all the same,
// and what was compared before counts.
func Run(ctx context.Context, files []string, newBench func(context.Context) (story.Bench, func() error, error), out io.Writer) (passed, failed int, err error) {
	var results []story.Result
	var stopped []error
	for _, file := range files {
		if ctx.Err() != nil {
			stopped = append(stopped, fmt.Errorf("%s: not played: %w", file, ctx.Err()))
			break
		}
		result, err := play(ctx, file, newBench)
		if err != nil {
			stopped = append(stopped, err)
		}
		results = append(results, result)
		passed += result.Passed
		failed += len(result.Failures)
	}
	if _, err := io.WriteString(out, story.Report(results...)); err != nil {
		stopped = append(stopped, fmt.Errorf("print the report: %w", err))
	}
	return passed, failed, errors.Join(stopped...)
}

func play(ctx context.Context, file string, newBench func(context.Context) (story.Bench, func() error, error)) (result story.Result, err error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return result, fmt.Errorf("read the story: %w", err)
	}
	s, err := story.Parse(file, text, time.LoadLocation)
	if err != nil {
		return result, err
	}
	bench, end, err := newBench(ctx)
	if err != nil {
		return result, fmt.Errorf("%s: open a bench: %w", file, err)
	}
	defer func() {
		if failed := end(); failed != nil {
			err = errors.Join(err, fmt.Errorf("%s: close the bench: %w", file, failed))
		}
	}()
	beside := func(path string) ([]byte, error) {
		if !filepath.IsAbs(path) {
			path = filepath.Join(filepath.Dir(file), path)
		}
		return os.ReadFile(path)
	}
	return story.Run(s, bench, beside)
}
