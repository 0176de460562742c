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

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
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
		runtime.SetQueryParameterParser(strictQuery{}),
		runtime.WithUnescapingMode(runtime.UnescapingModeAllExceptReserved),
	)
	for _, register := range []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error{
		custodyv1.RegisterScansHandler, custodyv1.RegisterRequestsHandler, custodyv1.RegisterTubesHandler,
		custodyv1.RegisterDirectoryHandler, stabilityv1.RegisterFlagsHandler, stabilityv1.RegisterRulesHandler,
	} {
		if err := register(ctx, mux, conn); err != nil {
			return nil, fmt.Errorf("api: REST: %w", err)
		}
	}
	watch := &watchFlags{client: stabilityv1.NewFlagsClient(conn)}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxBody))
		if err != nil {
			restError(r.Context(), mux, &runtime.JSONPb{}, w, r, violations(violation{"body", "it could not be read whole, or is larger than 16 MiB; send it in parts"}))
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		r = r.WithContext(context.WithValue(r.Context(), sentBody{}, body))
		if r.URL.Path == "/v1/flags:watch" && strings.Contains(r.Header.Get("Accept"), "text/event-stream") {
			watch.ServeHTTP(w, r)
			return
		}
		if typ := r.Header.Get("Content-Type"); r.ContentLength != 0 && typ != "" && !strings.HasPrefix(typ, "application/json") {
			restError(r.Context(), mux, &runtime.JSONPb{}, w, r, violations(violation{"Content-Type", "send application/json"}))
			return
		}
		mux.ServeHTTP(w, r)
	}), nil
}

// sentBody is the context key of the request's body, by which an error's position
// is turned into a field.
type sentBody struct{}

// strictQuery refuses what the default parser would drop in silence.
type strictQuery struct{}

// Parse implements runtime.QueryParameterParser.
func (strictQuery) Parse(m proto.Message, values url.Values, filter *utilities.DoubleArray) error {
	fields := m.ProtoReflect().Descriptor().Fields()
	for name, vs := range values {
		if fields.ByJSONName(name) == nil && fields.ByTextName(name) == nil {
			return violations(violation{clip(name), "there is no such parameter; see /docs"})
		}
		if len(vs) > 1 {
			return violations(violation{clip(name), "it is given more than once"})
		}
	}
	for name, vs := range values { // numbers that don't parse get the field's name, not a parser's text
		fd := fields.ByJSONName(name)
		if fd == nil {
			fd = fields.ByTextName(name)
		}
		if kind := fd.Kind().String(); strings.Contains(kind, "int") {
			if _, err := strconv.ParseInt(vs[0], 10, 64); err != nil {
				return violations(violation{name, fmt.Sprintf("%q is no whole number", clip(vs[0]))})
			}
		}
	}
	return runtime.PopulateQueryParameters(m, values, filter)
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
	if st.Code() == codes.Unavailable {
		w.Header().Set("Retry-After", "2")
	}
	runtime.DefaultHTTPErrorHandler(ctx, mux, m, w, r, err)
}

func bodyError(text string, body []byte) error {
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
		return violations(violation{unknownField.FindStringSubmatch(text)[1], "there is no such field; check its spelling in /docs" + at})
	case duplicate.MatchString(text):
		return violations(violation{duplicate.FindStringSubmatch(text)[1], "it is given twice" + at})
	case badValue.MatchString(text):
		found := badValue.FindStringSubmatch(text)
		return violations(violation{there, fmt.Sprintf("%s is no value for this field; see /docs for its type%s", clip(strings.TrimSpace(found[2])), at)})
	default:
		return violations(violation{there, "this is not the JSON that the call takes; see /docs" + at})
	}
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
	return min(at+column-1, len(body))
}

// watchFlags is the server-sent form of WatchFlags. The id of an event is the
// sequence in the log; a browser sends it back by itself after a break.
type watchFlags struct{ client stabilityv1.FlagsClient }

// ServeHTTP implements http.Handler.
func (h *watchFlags) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	req := &stabilityv1.WatchFlagsRequest{Place: r.URL.Query().Get("place")}
	after := r.Header.Get(textproto.CanonicalMIMEHeaderKey("Last-Event-ID"))
	if after == "" {
		after = r.URL.Query().Get("after")
	}
	if after != "" {
		n, err := strconv.ParseUint(after, 10, 63)
		if err != nil {
			restError(r.Context(), nil, &runtime.JSONPb{}, w, r, violations(violation{"after", "it is no sequence of the log"}))
			return
		}
		req.After = n
	}
	for name := range r.URL.Query() {
		if name != "place" && name != "after" {
			restError(r.Context(), nil, &runtime.JSONPb{}, w, r, violations(violation{clip(name), "there is no such parameter; see /docs"}))
			return
		}
	}
	stream, err := h.client.WatchFlags(r.Context(), req)
	if err != nil {
		restError(r.Context(), nil, &runtime.JSONPb{}, w, r, err)
		return
	}
	out := http.NewResponseController(w)
	_ = out.SetWriteDeadline(time.Time{}) // a stream outlives the server's limit for answers
	first := true
	for {
		change, err := stream.Recv()
		if err != nil {
			if first && err != io.EOF { //nolint:errorlint // grpc returns io.EOF itself
				restError(r.Context(), nil, &runtime.JSONPb{}, w, r, err)
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
