package app

import (
	"context"
	"fmt"
	"log/slog"
	"net/url"
	"path"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	"go.opentelemetry.io/otel/sdk/trace"
	api "go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
)

// tracerName is the instrumentation scope of every span of this program.
const tracerName = "specimen.example/custody"

// Traces sends spans to an OpenTelemetry collector by OTLP over HTTP; endpoint is its
// address, such as http://127.0.0.1:4318. A request goes from its arrival through the
// log to the flag that it caused, also when another process judges. Spans hold the
// names of methods and facts, times and errors, and nobody's label, name or number.
// What share is kept, OTEL_TRACES_SAMPLER says (the OpenTelemetry environment
// specification); a caller's own traceparent is followed. A collector that is away
// costs spans, never a scan. The second result sends what is left.
func Traces(ctx context.Context, endpoint string, logger *slog.Logger) (api.TracerProvider, func(context.Context) error, error) {
	to, err := url.Parse(endpoint)
	if err != nil || to.Scheme != "http" && to.Scheme != "https" || to.Host == "" {
		return nil, nil, fmt.Errorf("traces: %q is no address of a collector; write it as http://127.0.0.1:4318", endpoint)
	}
	exporter, err := otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(to.JoinPath("v1/traces").String())) // the path of the OTLP specification
	if err != nil {
		return nil, nil, fmt.Errorf("traces: %w", err)
	}
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) {
		logger.Warn("spans could not be sent", slog.String("to", to.Host), slog.Any("error", err))
	}))
	provider := trace.NewTracerProvider(
		trace.WithBatcher(exporter),
		trace.WithResource(resource.NewSchemaless(attribute.String("service.name", "custodyd"))),
	)
	return provider, provider.Shutdown, nil
}

// traceUnary gives every call a span, under the caller's when it sent a traceparent.
func traceUnary(tracer api.Tracer) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		if md, ok := metadata.FromIncomingContext(ctx); ok {
			ctx = propagation.TraceContext{}.Extract(ctx, fromCaller(md))
		}
		ctx, span := tracer.Start(ctx, path.Base(info.FullMethod), api.WithSpanKind(api.SpanKindServer),
			api.WithAttributes(attribute.String("rpc.system", "grpc"), attribute.String("rpc.method", info.FullMethod)))
		defer span.End()
		answer, err := next(ctx, req)
		if err != nil {
			// The text of an error may quote what was sent; its code doesn't.
			span.SetStatus(codes.Error, status.Code(err).String())
		}
		return answer, err
	}
}

// fromCaller is a call's metadata as a carrier of trace context.
type fromCaller metadata.MD

// Get implements propagation.TextMapCarrier.
func (m fromCaller) Get(key string) string {
	if values := metadata.MD(m).Get(key); len(values) > 0 {
		return values[0]
	}
	return ""
}

// Set implements propagation.TextMapCarrier.
func (m fromCaller) Set(key, value string) { metadata.MD(m).Set(key, value) }

// Keys implements propagation.TextMapCarrier.
func (m fromCaller) Keys() []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	return keys
}
