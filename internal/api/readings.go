package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/anypb"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/thermal"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// RecordReadings takes runs of readings.
func (s *Server) RecordReadings(ctx context.Context, req *custodyv1.RecordReadingsRequest) (*custodyv1.RecordReadingsResponse, error) {
	runs, resp, err := s.runsOf(ctx, req.GetRuns())
	if err != nil {
		return nil, err
	}
	if resp.Sequence, err = s.Desk.ReadingsNow(ctx, runs); err != nil {
		return nil, logError(err)
	}
	return resp, nil
}

// runsOf understands runs, whose fields were checked, and counts what they hold.
func (s *Server) runsOf(ctx context.Context, list []*custodyv1.Readings) ([]event.Run, *custodyv1.RecordReadingsResponse, error) {
	resp := &custodyv1.RecordReadingsResponse{}
	runs := make([]event.Run, 0, len(list))
	for i, m := range list {
		key, err := s.key(fmt.Sprintf("runs[%d].logger", i), m.GetLogger(), event.KindLogger)
		if err != nil {
			return nil, nil, err
		}
		if err := mayReport(ctx, key); err != nil {
			return nil, nil, err
		}
		run := event.Run{Logger: key, ID: m.GetId(), Device: m.GetDevice(), Readings: make([]event.Reading, len(m.GetReadings()))}
		for j, r := range m.GetReadings() {
			at, _ := parseInstant(r.GetAt()) // checked already
			v := &run.Readings[j]
			v.At = event.At(at)
			if r.Celsius != nil {
				v.Raw = r.GetCelsius()
				v.C = centi(r.GetCelsius())
				v.OK = r.GetCelsius() != "" && !thermal.IsFault(v.C)
			}
			if !v.OK {
				resp.Faults++
			}
		}
		resp.Stored += int64(len(run.Readings))
		runs = append(runs, run)
	}
	return runs, resp, nil
}

// StreamReadings takes batches of readings. It reads the next only when there is room
// for what came before, which holds the sender back by the flow control of HTTP/2.
func (s *Server) StreamReadings(stream grpc.BidiStreamingServer[custodyv1.StreamReadingsRequest, custodyv1.StreamReadingsResponse]) error {
	ctx, stop := context.WithCancel(stream.Context())
	defer stop()
	r := &readingsStream{s: s, stream: stream, line: s.Desk.Line(), stored: make(chan storedBatch, intake.LineBatches)}
	ended := make(chan error, 1)
	go func() { ended <- r.read(ctx) }()
	var failed error
	// What has begun when the stream is to end is finished and answered: it is durable
	// then, and need not be sent again.
	for begun, answered := -1, 0; answered != begun; {
		select {
		case err := <-ended:
			begun = r.close()
			if failed == nil && !errors.Is(err, io.EOF) {
				failed = err
			}
		case b := <-r.stored:
			answered++
			if b.err != nil {
				begun = r.close()
				if failed == nil {
					failed = inBatch(b.answer.GetBatch(), logError(b.err))
				}
				continue
			}
			if err := stream.Send(b.answer); err != nil {
				return err
			}
			b.Answered()
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return failed
}

// readingsStream is one stream while it lasts.
type readingsStream struct {
	s      *Server
	stream grpc.BidiStreamingServer[custodyv1.StreamReadingsRequest, custodyv1.StreamReadingsResponse]
	line   *intake.Line
	stored chan storedBatch // has room for all that can be unanswered

	mu     sync.Mutex // guards the fields below
	begun  int
	closed bool
}

type storedBatch struct {
	*intake.Batch
	answer *custodyv1.StreamReadingsResponse
	err    error
}

// begin counts a batch, unless the stream is to end.
func (r *readingsStream) begin() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.closed {
		r.begun++
	}
	return !r.closed
}

// close lets no further batch begin, and says how many have.
func (r *readingsStream) close() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closed = true
	return r.begun
}

// read takes batches until the sender has no more, or one is wrong.
func (r *readingsStream) read(ctx context.Context) error {
	for {
		letNext(ctx)
		req, err := r.stream.Recv()
		if err != nil {
			return err
		}
		runs, resp, err := r.s.runsOf(ctx, req.GetRuns())
		if err != nil {
			return inBatch(req.GetBatch(), err)
		}
		b, err := r.line.Admit(ctx, runs)
		if err != nil {
			return err
		}
		answer := &custodyv1.StreamReadingsResponse{Batch: req.GetBatch(), Stored: resp.GetStored(), Faults: resp.GetFaults()}
		if !r.begin() {
			b.Refuse()
			return nil
		}
		go func() {
			var err error
			answer.Sequence, err = b.Store(ctx)
			r.stored <- storedBatch{b, answer, err}
		}()
	}
}

// inBatch says of which batch of a stream an error speaks, in its text and in its
// details.
func inBatch(name string, err error) error {
	if err == nil || name == "" {
		return err
	}
	p := status.Convert(err).Proto()
	p.Message = "batch " + clip(name) + ": " + p.GetMessage()
	if detail, err := anypb.New(&errdetails.ResourceInfo{ResourceType: "batch", ResourceName: clip(name)}); err == nil {
		p.Details = append(p.Details, detail)
	}
	return status.ErrorProto(p)
}

// mayReport refuses the readings of another logger to a token that is for some alone.
func mayReport(ctx context.Context, logger event.Key) error {
	if p := auth.From(ctx); len(p.Loggers) > 0 && !slices.Contains(p.Loggers, logger) {
		return status.Errorf(codes.PermissionDenied, "this token is not for the readings of %s", logger.Label())
	}
	return nil
}

// centi reads checked decimal text as 0.01 °C.
func centi(s string) event.CentiC {
	whole, frac, _ := strings.Cut(s, ".")
	for len(frac) < 2 {
		frac += "0"
	}
	n, _ := strconv.ParseInt(whole+frac, 10, 32) // the form was checked
	return event.CentiC(n)
}
