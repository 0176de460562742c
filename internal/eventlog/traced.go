package eventlog

import (
	"context"
	"errors"

	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"

	"specimen.example/custody/internal/event"
)

// Traced is log with a span for each write: from asking until it is durable or
// refused. The span's place in its trace goes with the message, so that a judgement
// on it, also in another process, belongs to the same trace. A write outside of any
// trace begins none.
func Traced(log Log, tracer trace.Tracer) Log { return &traced{Log: log, tracer: tracer} }

type traced struct {
	Log
	tracer trace.Tracer
}

// Append implements Log.
func (t *traced) Append(ctx context.Context, d *event.Decision, after uint64) (uint64, error) {
	ctx, span := t.start(ctx, "log append")
	d.Trace = parentOf(ctx)
	seq, err := t.Log.Append(ctx, d, after)
	return seq, ended(span, err)
}

// AppendRun implements Log.
func (t *traced) AppendRun(ctx context.Context, r *event.Run) (uint64, error) {
	ctx, span := t.start(ctx, "log append readings")
	r.Trace = parentOf(ctx)
	seq, err := t.Log.AppendRun(ctx, r)
	return seq, ended(span, err)
}

// AppendRuns implements Log. One span is for all.
func (t *traced) AppendRuns(ctx context.Context, runs []*event.Run) ([]uint64, error) {
	ctx, span := t.start(ctx, "log append readings")
	parent := parentOf(ctx)
	for _, r := range runs {
		r.Trace = parent
	}
	seqs, err := t.Log.AppendRuns(ctx, runs)
	return seqs, ended(span, err)
}

func (t *traced) start(ctx context.Context, name string) (context.Context, trace.Span) {
	if !trace.SpanContextFromContext(ctx).IsSampled() {
		return ctx, noop.Span{}
	}
	return t.tracer.Start(ctx, name, trace.WithSpanKind(trace.SpanKindProducer))
}

func ended(span trace.Span, err error) error {
	switch {
	case err == nil:
	case errors.Is(err, ErrConflict), errors.Is(err, ErrFull), errors.Is(err, ErrClosed):
		span.SetStatus(codes.Error, err.Error())
	case errors.Is(err, ErrUncertain):
		span.SetStatus(codes.Error, ErrUncertain.Error())
	default: // its text may name an aggregate
		span.SetStatus(codes.Error, "refused")
	}
	span.End()
	return err
}

// parentOf gives the traceparent of the span in ctx, "" when it isn't recorded.
func parentOf(ctx context.Context) string {
	if !trace.SpanContextFromContext(ctx).IsSampled() {
		return ""
	}
	carrier := propagation.MapCarrier{}
	propagation.TraceContext{}.Inject(ctx, carrier)
	return carrier.Get(traceHeader)
}
