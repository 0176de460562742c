package api

import (
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

var inPath = regexp.MustCompile(`\{(\w+)\}`)

// files hold the services of the API.
func files() []protoreflect.FileDescriptor {
	return []protoreflect.FileDescriptor{
		custodyv1.File_custody_v1_custody_proto, custodyv1.File_custody_v1_patients_proto, custodyv1.File_custody_v1_signin_proto,
		custodyv1.File_custody_v1_phones_proto, custodyv1.File_custody_v1_desk_proto,
		stabilityv1.File_stability_v1_stability_proto,
	}
}

// parameters are the query parameters that each REST form takes, by verb and path:
// a GET takes the fields that its path does not hold, everything else none.
func parameters() map[string][]string {
	out := map[string][]string{}
	for _, file := range files() {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				rule, _ := proto.GetExtension(methods.Get(j).Options(), annotations.E_Http).(*annotations.HttpRule)
				path := rule.GetGet()
				if path == "" {
					continue
				}
				names := []string{}
				fields := methods.Get(j).Input().Fields()
				for k := range fields.Len() {
					if fd := fields.Get(k); !strings.Contains(path, "{"+string(fd.Name())+"}") {
						names = append(names, fd.JSONName(), fd.TextName())
					}
				}
				out[http.MethodGet+" "+inPath.ReplaceAllString(path, "{$1=*}")] = names
			}
		}
	}
	return out
}

// knownParameters refuses a query parameter that the call doesn't take. The gateway
// looks at the query of some calls only, and what it does not look at is dropped:
// a misspelt asOf would answer for now.
func knownParameters(known map[string][]string) runtime.Middleware {
	return func(next runtime.HandlerFunc) runtime.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request, path map[string]string) {
			pattern, _ := runtime.HTTPPattern(r.Context())
			allowed := known[r.Method+" "+pattern.String()]
			for _, name := range slices.Sorted(maps.Keys(r.URL.Query())) {
				if !slices.Contains(allowed, name) {
					err := violations(violation{clip(name), "there is no such parameter; see /docs"})
					restError(r.Context(), runtime.NewServeMux(), &runtime.JSONPb{}, w, r, err)
					return
				}
			}
			next(w, r, path)
		}
	}
}

// escapedTwice and wholeLabels bring a label through the gateway whole, whatever it
// holds: the gateway either leaves reserved characters escaped or cuts the path at an
// escaped slash, and both make another tube of it.
func escapedTwice(r *http.Request) *http.Request {
	out := *r
	address := *r.URL
	address.RawPath = strings.ReplaceAll(r.URL.EscapedPath(), "%", "%25")
	out.URL = &address
	return &out
}

func wholeLabels(next runtime.HandlerFunc) runtime.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request, path map[string]string) {
		for name, value := range path {
			whole, err := url.PathUnescape(value)
			if err != nil {
				restError(r.Context(), runtime.NewServeMux(), &runtime.JSONPb{}, w, r, violations(violation{name, "its escape is not whole; see RFC 3986"}))
				return
			}
			path[name] = whole
		}
		next(w, r, path)
	}
}
