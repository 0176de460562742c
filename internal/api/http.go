package api

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/textproto"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// OpenAPI is the description of the REST form, made from proto/.
//
//go:embed openapi.swagger.json
var OpenAPI []byte

// MaxBody is the largest request body in bytes.
const MaxBody = 16 << 20

// REST gives the REST form of the services that conn speaks to.
func REST(ctx context.Context, conn *grpc.ClientConn) (http.Handler, error) {
	mux := runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, &runtime.JSONPb{
			MarshalOptions:   protojson.MarshalOptions{EmitUnpopulated: false},
			UnmarshalOptions: protojson.UnmarshalOptions{DiscardUnknown: false},
		}),
		runtime.WithErrorHandler(restError),
		runtime.WithIncomingHeaderMatcher(func(name string) (string, bool) {
			if strings.EqualFold(name, "traceparent") || strings.EqualFold(name, "tracestate") { // W3C Trace Context
				return strings.ToLower(name), true
			}
			if strings.HasPrefix(strings.ToLower(name), "grpc-metadata-") {
				return "", false // what our own front says of a call can't come from outside
			}
			return runtime.DefaultHeaderMatcher(name)
		}),
		runtime.WithMetadata(func(_ context.Context, r *http.Request) metadata.MD {
			return metadata.Pairs(addressHeader, HostOf(r.RemoteAddr))
		}),
		runtime.WithOutgoingHeaderMatcher(func(string) (string, bool) { return "", false }), // nothing of gRPC concerns a browser
		runtime.SetQueryParameterParser(strictQuery{}),
		runtime.WithMiddlewares(knownParameters(parameters()), wholeLabels),
		runtime.WithUnescapingMode(runtime.UnescapingModeAllCharacters), // of the two that escapedTwice puts on
	)
	for _, register := range []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error{
		custodyv1.RegisterScansHandler, custodyv1.RegisterRequestsHandler, custodyv1.RegisterTubesHandler,
		custodyv1.RegisterDirectoryHandler, custodyv1.RegisterSignInsHandler, custodyv1.RegisterPatientsHandler, custodyv1.RegisterPhonesHandler, custodyv1.RegisterDeskHandler, stabilityv1.RegisterFlagsHandler, stabilityv1.RegisterRulesHandler,
	} {
		if err := register(ctx, mux, conn); err != nil {
			return nil, fmt.Errorf("api: REST: %w", err)
		}
	}
	watch := &watchFlags{client: stabilityv1.NewFlagsClient(conn), mux: mux}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxBody))
		if err != nil {
			restError(r.Context(), mux, &runtime.JSONPb{}, w, r, violations(violation{"body", "it could not be read whole, or is larger than 16 MiB; send it in parts"}))
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		r = r.WithContext(context.WithValue(r.Context(), sentBody{}, body))
		if r.Method == http.MethodGet && r.URL.Path == "/v1/flags:watch" {
			// Checked here: the gateway wraps a stream's first error in a shape of its own.
			req, err := watchRequest(r)
			if err != nil {
				restError(r.Context(), mux, &runtime.JSONPb{}, w, r, err)
				return
			}
			if strings.Contains(r.Header.Get("Accept"), "text/event-stream") {
				watch.serve(w, r, req)
				return
			}
		}
		if typ := r.Header.Get("Content-Type"); r.ContentLength != 0 && typ != "" && !strings.HasPrefix(typ, "application/json") {
			restError(r.Context(), mux, &runtime.JSONPb{}, w, r, violations(violation{"Content-Type", "send application/json"}))
			return
		}
		mux.ServeHTTP(w, escapedTwice(r))
	}), nil
}

// sentBody is the context key of the request's body, by which an error's position
// is turned into a field.
type sentBody struct{}

// strictQuery refuses what the default parser would drop in silence.
type strictQuery struct{}

// queryError is a violation on its way through the gateway, which keeps an error's
// text only.
type queryError violation

const queryMark = "query parameter "

// Error implements error.
func (q queryError) Error() string { return queryMark + q.field + ": " + q.say }

// Parse implements runtime.QueryParameterParser.
func (strictQuery) Parse(m proto.Message, values url.Values, filter *utilities.DoubleArray) error {
	fields := m.ProtoReflect().Descriptor().Fields()
	for name, vs := range values {
		if fields.ByJSONName(name) == nil && fields.ByTextName(name) == nil {
			return queryError{clip(name), "there is no such parameter; see /docs"}
		}
		if len(vs) > 1 {
			return queryError{clip(name), "it is given more than once"}
		}
	}
	for name, vs := range values { // numbers that don't parse get the field's name, not a parser's text
		fd := fields.ByJSONName(name)
		if fd == nil {
			fd = fields.ByTextName(name)
		}
		if kind := fd.Kind().String(); strings.Contains(kind, "int") {
			_, err := strconv.ParseInt(vs[0], 10, 64)
			if strings.HasPrefix(kind, "uint") {
				_, err = strconv.ParseUint(vs[0], 10, 64)
			}
			if err != nil {
				return queryError{name, fmt.Sprintf("%q is no number this can be", clip(vs[0]))}
			}
		}
	}
	return (&runtime.DefaultQueryParser{}).Parse(m, values, filter)
}

var (
	unknownField = regexp.MustCompile(`unknown field "([^"]+)"`)
	badValue     = regexp.MustCompile(`invalid value for \w+ (?:field|type|type:) ?([A-Za-z_.]+)?:? ?(.*)`)
	duplicate    = regexp.MustCompile(`duplicate field "([^"]+)"`)
	position     = regexp.MustCompile(`\(line (\d+):(\d+)\)`)
)

// restError writes google.rpc.Status as JSON. A body that is not a message of the
// method names its field too: the parser's words are turned into ours.
func restError(ctx context.Context, mux *runtime.ServeMux, m runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	st := status.Convert(err)
	if st.Code() == codes.InvalidArgument && len(st.Details()) == 0 {
		body, _ := ctx.Value(sentBody{}).([]byte)
		err = bodyError(st.Message(), body)
	}
	if st.Code() == codes.Unavailable || st.Code() == codes.ResourceExhausted {
		w.Header().Set("Retry-After", "2")
	}
	runtime.DefaultHTTPErrorHandler(ctx, mux, m, w, r, err)
}

func bodyError(text string, body []byte) error {
	if rest, ok := strings.CutPrefix(text, queryMark); ok {
		field, say, _ := strings.Cut(rest, ": ")
		return violations(violation{field, say})
	}
	at, there := "", "body"
	if p := position.FindStringSubmatch(text); p != nil {
		at = " (line " + p[1] + ", column " + p[2] + " of the body)"
		line, _ := strconv.Atoi(p[1])
		column, _ := strconv.Atoi(p[2])
		if name := fieldAt(body, line, column); name != "" {
			there = name
		}
	}
	switch {
	case unknownField.MatchString(text):
		return violations(violation{pathTo(there, unknownField.FindStringSubmatch(text)[1]), "there is no such field; check its spelling in /docs" + at})
	case duplicate.MatchString(text):
		return violations(violation{pathTo(there, duplicate.FindStringSubmatch(text)[1]), "it is given twice" + at})
	case badValue.MatchString(text):
		found := badValue.FindStringSubmatch(text)
		return violations(violation{there, fmt.Sprintf("%s is no value for this field; see /docs for its type%s", clip(strings.TrimSpace(found[2])), at)})
	default:
		return violations(violation{there, "this is not the JSON that the call takes; see /docs" + at})
	}
}

// pathTo is the path of a name that the parser gave without its path.
func pathTo(there, name string) string {
	if there == name || strings.HasSuffix(there, "."+name) {
		return there
	}
	return name
}

// fieldAt gives the path of the field that a JSON body names at or last before a
// position, for example scans[0].occurredAt.
func fieldAt(body []byte, line, column int) string {
	target := offsetOf(body, line, column)
	dec := json.NewDecoder(bytes.NewReader(body))
	type level struct {
		object bool
		name   string
		n      int // position in a list
	}
	var stack []level
	path := func() string {
		var out strings.Builder
		for _, l := range stack {
			switch {
			case !l.object:
				fmt.Fprintf(&out, "[%d]", l.n)
			case l.name != "":
				if out.Len() > 0 {
					out.WriteByte('.')
				}
				out.WriteString(l.name)
			}
		}
		return out.String()
	}
	key := false // the next string is a name
	for {
		tok, err := dec.Token()
		if err != nil {
			return path()
		}
		end := int(dec.InputOffset())
		top := len(stack) - 1
		switch d, isDelim := tok.(json.Delim); {
		case isDelim && (d == '{' || d == '['):
			if end > target {
				return path()
			}
			stack = append(stack, level{object: d == '{'})
			key = d == '{'
			continue
		case isDelim:
			stack = stack[:top]
		case key && stack[top].object:
			stack[top].name = fmt.Sprint(tok)
			key = false
			if end > target {
				return path()
			}
			continue
		case end > target:
			return path()
		}
		if top = len(stack) - 1; top >= 0 {
			stack[top].n++
			key = stack[top].object
		}
	}
}

func offsetOf(body []byte, line, column int) int {
	at := 0
	for l := 1; l < line; l++ {
		i := bytes.IndexByte(body[at:], '\n')
		if i < 0 {
			return len(body)
		}
		at += i + 1
	}
	// The parser counts characters, not bytes.
	for c := 1; c < column && at < len(body); c++ {
		_, size := utf8.DecodeRune(body[at:])
		at += size
	}
	return at
}

// watchFlags is the server-sent form of WatchFlags. The id of an event is the
// sequence in the log; a browser sends it back by itself after a break.
type watchFlags struct {
	client stabilityv1.FlagsClient
	mux    *runtime.ServeMux
}

// watchRequest reads the request of a stream. A browser names the last event it saw
// in a header, which wins over the address it first asked with.
func watchRequest(r *http.Request) (*stabilityv1.WatchFlagsRequest, error) {
	req := &stabilityv1.WatchFlagsRequest{}
	if err := (strictQuery{}).Parse(req, r.URL.Query(), utilities.NewDoubleArray(nil)); err != nil {
		return nil, status.Error(codes.InvalidArgument, err.Error())
	}
	if last := r.Header.Get(textproto.CanonicalMIMEHeaderKey("Last-Event-ID")); last != "" {
		n, err := strconv.ParseUint(last, 10, 63)
		if err != nil {
			return nil, violations(violation{"after", "it is no sequence of the log"})
		}
		req.After = n
	}
	if vs := wrong(req); len(vs) > 0 {
		return nil, violations(vs...)
	}
	return req, nil
}

func (h *watchFlags) serve(w http.ResponseWriter, r *http.Request, req *stabilityv1.WatchFlagsRequest) {
	ctx, err := runtime.AnnotateContext(r.Context(), h.mux, r, stabilityv1.Flags_WatchFlags_FullMethodName) // who asks
	if err != nil {
		restError(r.Context(), h.mux, &runtime.JSONPb{}, w, r, err)
		return
	}
	stream, err := h.client.WatchFlags(ctx, req)
	if err != nil {
		restError(r.Context(), h.mux, &runtime.JSONPb{}, w, r, err)
		return
	}
	out := http.NewResponseController(w)
	_ = out.SetWriteDeadline(time.Time{}) // a stream outlives the server's limit for answers
	first := true
	for {
		change, err := stream.Recv()
		if err != nil {
			if first && err != io.EOF { //nolint:errorlint // grpc returns io.EOF itself
				restError(r.Context(), h.mux, &runtime.JSONPb{}, w, r, err)
			}
			return
		}
		if first {
			w.Header().Set("Content-Type", "text/event-stream")
			w.Header().Set("X-Accel-Buffering", "no")
			w.WriteHeader(http.StatusOK)
			first = false
		}
		data, err := protojson.Marshal(change)
		if err != nil {
			return
		}
		if _, err := fmt.Fprintf(w, "id: %d\nevent: %s\ndata: %s\n\n", change.GetSequence(), change.GetChange(), data); err != nil {
			return
		}
		if out.Flush() != nil {
			return
		}
	}
}
