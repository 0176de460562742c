package live

import (
	"context"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
)

// causes remembers, while somebody traces, what caused the judging that waits: the
// traceparent of the last fact or reading that touched an aggregate. The zero value
// remembers nothing. Model.mu guards it.
type causes struct {
	tracer trace.Tracer
	of     map[custody.Target]string
}

// TraceBy has what is judged and then written recorded by tracer, as part of the trace
// of the scan or the readings that caused it. Call it before Run.
func (m *Model) TraceBy(tracer trace.Tracer) {
	m.causes = causes{tracer: tracer, of: map[custody.Target]string{}}
}

func (c *causes) note(t custody.Target, parent string) {
	if c.tracer != nil && parent != "" {
		c.of[t] = parent
	}
}

// take gives what caused the judging of t and forgets it.
func (c *causes) take(t custody.Target) string {
	parent := c.of[t]
	delete(c.of, t)
	return parent
}

// judged begins the span of what is written because of parent. What became due by
// time alone was caused by nobody and has no span. The attributes say what kind of
// facts came of it, not of whom.
func (c *causes) judged(ctx context.Context, parent string, d *event.Decision) (context.Context, func()) {
	if parent == "" {
		return ctx, func() {}
	}
	ctx = propagation.TraceContext{}.Extract(ctx, propagation.MapCarrier{"traceparent": parent})
	said := make([]string, len(d.Facts))
	for i, f := range d.Facts {
		said[i] = f.FactName()
	}
	ctx, span := c.tracer.Start(ctx, "judge", trace.WithSpanKind(trace.SpanKindConsumer),
		trace.WithAttributes(attribute.String("custody.kind", string(d.Kind)), attribute.StringSlice("custody.facts", said)))
	return ctx, func() { span.End() }
}
