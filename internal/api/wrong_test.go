package api_test

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"specimen.example/custody/internal/api"
	"specimen.example/custody/internal/eventlog/memlog"
	"specimen.example/custody/internal/label"
)

// A key and a signature that are sound in form and belong to nobody: the public key of
// RFC 6979, A.2.5, and r = s = 1.
const (
	somePublicKey = "MFkwEwYHKoZIzj0CAQYIKoZIzj0DAQcDQgAEYP7UuiVanTHJYet0xjVtaMBJuJI7Yfps5mliLmDyn7Z5A/4QCLi8maQa6elWKLxk8vGyDC1+n1F3o8KU1EYimQ=="
	someSignature = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAQ=="
)

// bases is one valid request per method: each field is then wrong in turn.
var bases = map[string]string{
	"RecordScans": `{"scans":[{"id":"s-1","step":"see","occurredAt":"2026-11-24T11:00:00Z","label":{"text":"T1"},
		"clock":{"offsetMs":"0"},"details":{"note":"dry"},"tests":["K"]}]}`,
	"RecordScans attested": `{"scans":[{"attested":{"scan":"e30=","keyId":"0123456789abcdef0123456789abcdef","signature":"AAAA"}}]}`,
	"RecordReadings":       `{"runs":[{"logger":"LG-1","readings":[{"at":"2026-11-24T11:00:00Z","celsius":"21.5"}]}]}`,
	"StreamReadings":       `{"batch":"b-1","runs":[{"logger":"LG-1","readings":[{"at":"2026-11-24T11:00:00Z","celsius":"21.5"}]}]}`,
	"ImportReadings": `{"logger":"LG-1","name":"LG-1.csv","file":"VGltZSxUZW1wIEMKMjAyNi0xMS0yNCAwOTowMDowMCw0LjYKMjAyNi0xMS0yNCAwOTowNTowMCw0LjkK","zone":"Europe/Berlin","by":"lena",
		"sync":[{"logger":"2026-11-24T09:00:10+01:00","trueTime":"2026-11-24T09:00:00+01:00"}]}`,
	"VoidFact":     `{"id":"s-1","kind":"tube","key":"T1","by":"lena","reason":"wrong-tube"}`,
	"ExplainDoubt": `{"id":"0123456789abcdef0123456789abcdef","by":"lena","reason":"explained"}`,
	"CountFacts":   `{"fact":"Seen"}`,
	"SetClock":     `{"now":"2026-11-24T12:00:00Z"}`,
	"PlaceRequest": `{"id":"R-1","patient":"P-1","tests":["K"],"conditions":["fasting=yes"],
		"tubes":[{"tube":"T2","type":"LIHEP-GEL","tests":["K"]}],"by":"mira"}`,
	"GetRequest":    `{"id":"R-1"}`,
	"AddTest":       `{"id":"R-1","test":"GLU","by":"mira"}`,
	"WithdrawTest":  `{"id":"R-1","test":"GLU","by":"mira"}`,
	"CancelRequest": `{"id":"R-1","by":"mira","reason":"test-not-needed"}`,
	"GetTube":       `{"id":"T1"}`,
	"ExplainTest":   `{"id":"T1","test":"K"}`,
	"GetDraw":       `{"id":"D-1"}`,
	"AskSample":     `{"id":"D-1","tubes":["T1"],"tests":["K"],"by":"lena"}`,
	"DeclineSample": `{"id":"D-1","by":"lena"}`,
	"SampleDone":    `{"id":"D-1","by":"lena"}`,
	"GetContents":   `{"id":"B-1"}`,
	"PutPlace":      `{"id":"LAB","kind":"centrifuge","zone":"Europe/Berlin","assumed":{"low":"20","high":"24"},"rotor":{"slots":"40","radiusMm":"170","mostPerMinute":"4000","holds":{"low":"4","high":"25"},"at":"LAB"}}`,
	"GetPlace":      `{"id":"LAB"}`,
	"PutCarrier":    `{"id":"B-1","kind":"box","assumed":{"low":"2","high":"8"}}`,
	"GetCarrier":    `{"id":"B-1"}`,
	"PutLogger":     `{"id":"LG-1","everySeconds":"300","in":"B-1"}`,
	"GetLogger":     `{"id":"LG-1"}`,
	"PutPerson":     `{"id":"lena","role":"reception","active":true,"roles":[{"role":"collector","place":"CLINIC"}]}`,
	"GetPerson":     `{"id":"lena"}`,
	"PutDevice":     `{"id":"H-01","kind":"desk","active":true}`,
	"GetDevice":     `{"id":"H-01"}`,
	"PutRoute":      `{"id":"FERRY","from":"ISLE","to":"LAB","departs":["07:30"],"takesMinutes":"45","zone":"Europe/Berlin"}`,
	"GetRoute":      `{"id":"FERRY"}`,
	"PutSchemes":    `{"schemes":[{"id":"TB","issuer":"the laboratory","names":"tube","pattern":"TB26####","in":["plain"],"reuseHours":"0"}],"by":"lena"}`,
	"GetSchemes":    `{}`,
	"ReadLabel":     `{"label":{"text":"T1","symbology":"]C0","how":"reader"},"separator":"|","ward":"N","type":"EDTA","wanted":["tube"]}`,
	"ListFlags":     `{"state":"open"}`,
	"WatchFlags":    `{}`,
	"TakeFlag":      `{"tube":"T1","by":"lena"}`,
	"OverrideFlag":  `{"tube":"T1","by":"lena","reason":"irreplaceable"}`,
	"ActFlag":       `{"tube":"T1","by":"lena","action":"run-now"}`,
	"PutAsideFlag":  `{"tube":"T1","by":"lena","until":"2026-11-24T13:00:00Z"}`,
	"ListRules":     `{}`,
	"CheckRules":    `{"file":"format: stability-rules/1"}`,
	"AdoptRules":    `{"by":"lena"}`,
	"WritePatient":  `{"patient":"P-7011","family":"Lind","given":"Anna","birthDate":"1951-03-02","sex":"female","place":"WARD-N","bed":"4","by":"mira"}`,
	"LookPatient":   `{"patient":"P-7011","why":"bedside","by":"mira"}`,
	"WorkList":      `{"place":"WARD-N","by":"mira"}`,
	"MergePatients": `{"keep":"P-7011","gone":"P-7012","reason":"one-person","by":"lena"}`,
	"ErasePatient":  `{"patient":"P-7019","reason":"keeping-ended","by":"lena"}`,
	"ListViews":     `{"patient":"P-7011"}`,
	"GetWork":       `{"place":"LAB","by":"mira"}`,
	"GetRound":      `{"by":"oskar","place":"LAB"}`,
	"TellPhone":     `{"device":"H-09","waiting":"4","oldest":"2026-11-24T11:00:00Z","deviceSeq":"7","app":"b41","place":"LAB","lasting":true,"by":"mira","clock":{"offsetMs":"0"}}`,
	"ListPhones":    `{}`,
	"GetSpins":      `{"place":"LAB"}`,
	"ListSamples":   `{"place":"LAB","state":"asked"}`,
	"PutProgrammes": `{"programmes":[{"name":"gel","tubes":["LIHEP-GEL"],"g":"2000","withinG":"200","minutes":"10","handlingMinutes":"3","temperature":{"low":"15","high":"25"}}],"by":"lena"}`,
	"GetProgrammes": `{}`,
	"WhoAmI":        `{}`,
	"SetSignIn":     `{"id":"lena","badge":"B-0007","pin":"730581","by":"mira"}`,
	"GetSignIn":     `{"id":"lena"}`,
	"ReleaseLock":   `{"id":"lena"}`,
	"InviteDevice":  `{"id":"H-01"}`,
	"EnrolDevice":   `{"code":"K7QM2XPD44","publicKey":"` + somePublicKey + `","proof":"` + someSignature + `"}`,
	"MakeToken":     `{"name":"sorter","scopes":["read"],"days":30}`,
	"ListTokens":    `{}`,
	"RevokeToken":   `{"id":"nobodys"}`,
}

// method is one method with how REST calls it.
type method struct {
	desc     protoreflect.MethodDescriptor
	verb     string // of HTTP; empty: it has no REST form
	template string
	body     bool
}

func methods(t *testing.T) []method {
	t.Helper()
	var out []method
	for _, file := range api.Files() {
		for i := range file.Services().Len() {
			list := file.Services().Get(i).Methods()
			for j := range list.Len() {
				out = append(out, methodOf(t, list.Get(j)))
			}
		}
	}
	return out
}

func methodOf(t *testing.T, md protoreflect.MethodDescriptor) method {
	t.Helper()
	rule, ok := proto.GetExtension(md.Options(), annotations.E_Http).(*annotations.HttpRule)
	if (!ok || rule == nil) && md.IsStreamingClient() {
		return method{desc: md} // a call that takes one message after another is for gRPC alone
	}
	if !ok || rule == nil {
		t.Fatalf("%s has no REST form", md.FullName())
	}
	m := method{desc: md, body: rule.GetBody() == "*"}
	switch p := rule.GetPattern().(type) {
	case *annotations.HttpRule_Get:
		m.verb, m.template = http.MethodGet, p.Get
	case *annotations.HttpRule_Put:
		m.verb, m.template = http.MethodPut, p.Put
	case *annotations.HttpRule_Post:
		m.verb, m.template = http.MethodPost, p.Post
	default:
		t.Fatalf("%s: a REST form this test does not know", md.FullName())
	}
	return m
}

func (m method) base(t *testing.T) proto.Message {
	t.Helper()
	return m.named(t, string(m.desc.Name()))
}

// baseFor is the base of the form of the request in which a field stands: a scan says
// all itself, or is what a device signed.
func (m method) baseFor(t *testing.T, s spot) proto.Message {
	t.Helper()
	if strings.Contains(s.path, ".attested.") {
		return m.named(t, string(m.desc.Name())+" attested")
	}
	return m.base(t)
}

func (m method) named(t *testing.T, name string) proto.Message {
	t.Helper()
	text, ok := bases[name]
	if !ok {
		t.Fatalf("%s has no base request; write one into bases", m.desc.FullName())
	}
	msg := newMessage(t, m.desc.Input())
	if err := protojson.Unmarshal([]byte(text), msg); err != nil {
		t.Fatal(err)
	}
	return msg
}

func newMessage(t *testing.T, md protoreflect.MessageDescriptor) proto.Message {
	t.Helper()
	typ, err := protoregistry.GlobalTypes.FindMessageByName(md.FullName())
	if err != nil {
		t.Fatal(err)
	}
	return typ.New().Interface()
}

// call makes the gRPC call and gives its error.
func (d *daemon) call(m method, req proto.Message) error {
	return d.callAs(d.t.Context(), m, req)
}

// callAs is call for whom a context carries.
func (d *daemon) callAs(ctx context.Context, m method, req proto.Message) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	name := fmt.Sprintf("/%s/%s", m.desc.Parent().FullName(), m.desc.Name())
	reply := newMessage(d.t, m.desc.Output())
	if !m.desc.IsStreamingServer() {
		return d.conn.Invoke(ctx, name, req, reply)
	}
	stream, err := d.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: m.desc.IsStreamingClient()}, name)
	if err != nil {
		return err
	}
	// Who is refused at once may find the stream over: then RecvMsg says why.
	if err := stream.SendMsg(req); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	return stream.RecvMsg(reply)
}

var pathParameter = regexp.MustCompile(`\{(\w+)\}`)

// pathOf fills the template from the request's own JSON; without a value there is
// no such path.
func (m method) pathOf(fields map[string]any) (path string, rest map[string]any, ok bool) {
	ok = true
	rest = maps.Clone(fields)
	path = pathParameter.ReplaceAllStringFunc(m.template, func(p string) string {
		name := m.desc.Input().Fields().ByName(protoreflect.Name(strings.Trim(p, "{}"))).JSONName()
		value, is := fields[name].(string)
		ok = ok && is && value != ""
		delete(rest, name)
		return url.PathEscape(value)
	})
	return path, rest, ok
}

// restJSON makes the REST call of a request given as JSON; ok is false where REST
// has no way to say it.
func (d *daemon) restJSON(m method, fields map[string]any) (a answer, ok bool) {
	path, rest, ok := m.pathOf(fields)
	if !ok || m.verb == "" {
		return answer{}, false
	}
	if m.body {
		body, err := json.Marshal(rest)
		if err != nil {
			d.t.Fatal(err)
		}
		return d.rest(m.verb, path, string(body)), true
	}
	query := url.Values{}
	for name, v := range rest {
		query.Set(name, fmt.Sprint(v))
	}
	return d.rest(m.verb, path+"?"+query.Encode(), ""), true
}

func jsonOf(t *testing.T, msg proto.Message) map[string]any {
	t.Helper()
	data, err := protojson.Marshal(msg)
	if err != nil {
		t.Fatal(err)
	}
	var out map[string]any
	if err := json.Unmarshal(data, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// spot is one field of a request: how to reach it in a message and in its JSON.
type spot struct {
	fd   protoreflect.FieldDescriptor
	path string // as errors name it; a list's or map's entry included
	// in gives the message that holds the field, making what is missing on the way.
	in func(root protoreflect.Message) protoreflect.Message
	// json gives the object that holds the field.
	json func(root map[string]any) map[string]any
}

func spots(md protoreflect.MessageDescriptor) []spot {
	at := spot{
		in:   func(m protoreflect.Message) protoreflect.Message { return m },
		json: func(m map[string]any) map[string]any { return m },
	}
	return inside(nil, md, at, "")
}

func inside(out []spot, md protoreflect.MessageDescriptor, up spot, prefix string) []spot {
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		s := spot{fd: fd, path: prefix + fd.JSONName(), in: up.in, json: up.json}
		out = append(out, s)
		if fd.Message() == nil || fd.IsMap() {
			continue
		}
		down := spot{in: func(root protoreflect.Message) protoreflect.Message {
			holder := up.in(root)
			if !fd.IsList() {
				return holder.Mutable(fd).Message()
			}
			list := holder.Mutable(fd).List()
			if list.Len() == 0 {
				return list.AppendMutable().Message()
			}
			return list.Get(0).Message()
		}, json: func(root map[string]any) map[string]any {
			holder := up.json(root)
			if !fd.IsList() {
				inner, ok := holder[fd.JSONName()].(map[string]any)
				if !ok {
					inner = map[string]any{}
					holder[fd.JSONName()] = inner
				}
				return inner
			}
			list, ok := holder[fd.JSONName()].([]any)
			if !ok {
				list = []any{map[string]any{}}
				holder[fd.JSONName()] = list
			}
			inner, _ := list[0].(map[string]any)
			return inner
		}}
		next := s.path + "."
		if fd.IsList() {
			next = s.path + "[0]."
		}
		out = inside(out, fd.Message(), down, next)
	}
	return out
}

// set puts a value into the spot's field and gives the path an error must name.
func (s spot) set(root protoreflect.Message, v any) string {
	holder, value := s.in(root), protoreflect.ValueOf(v)
	switch {
	case s.fd.IsMap():
		holder.Mutable(s.fd).Map().Set(protoreflect.ValueOfString("note").MapKey(), value)
		return s.path + ".note"
	case s.fd.IsList():
		list := holder.Mutable(s.fd).List()
		if list.Len() == 0 {
			list.Append(value)
		} else {
			list.Set(0, value)
		}
		return s.path + "[0]"
	default:
		holder.Set(s.fd, value)
		return s.path
	}
}

// What each kind of text must refuse. The three wrong instants are those that
// people send (API-S4); the limits are those that the API's description gives.
const addTheZone = "add the zone, for example +01:00"

var wrongText = map[string][]string{
	"word":      {"no-such-word", "Box "},
	"id":        {"bad id!", strings.Repeat("a", 65)},
	"label":     {"T\x01", strings.Repeat("a", 65)},
	"code":      {"no code!", strings.Repeat("a", 41)},
	"instant":   {"2026-11-24T10:00:00", "2026-11-24 10:00:00Z", "1761355800", "1969-12-31T23:00:00Z"},
	"celsius":   {"21,5", "21.555", "warm", "+3"},
	"zone":      {"Mars/Base", "Local"},
	"free":      {strings.Repeat("a", 501), "a\x01b"},
	"condition": {"fasting", "fasting=maybe", "Fasting=yes"},
	"hhmm":      {"7:30", "24:00", "07:30:00"},
	"aim":       {"d2", "]dd2"},
	"character": {"||"},
	"file":      {strings.Repeat("a", 1<<20+1)},
	"caller":    {"Anna Lind", "a\x01b", strings.Repeat("a", 65)},
	"invite":    {"K7QM-2XPD!", strings.Repeat("A", 41)},
	"date":      {"19.10.1978", "1978-13-01", "1978-10-19T00:00:00Z", "78"},
	"offset":    {"Mars/Base", "Local", "+1", "+15:00"},
}

func lookUp[T any](table map[string]T, fd protoreflect.FieldDescriptor) (T, bool) {
	if v, ok := table[string(fd.Parent().Name())+"."+string(fd.Name())]; ok {
		return v, true
	}
	v, ok := table[string(fd.Name())]
	return v, ok
}

// wrongValues are values that the field must refuse.
func (s spot) wrongValues(t *testing.T) []any {
	t.Helper()
	var out []any
	kind := s.fd.Kind()
	if s.fd.IsMap() {
		kind = s.fd.MapValue().Kind()
	}
	switch kind {
	case protoreflect.StringKind:
		k, ok := lookUp(kinds, s.fd)
		if !ok {
			t.Fatalf("%s: this test doesn't know what it must refuse; write its kind into kinds", s.fd.FullName())
		}
		for _, v := range wrongText[k] {
			out = append(out, v)
		}
	case protoreflect.Int64Kind, protoreflect.Uint64Kind, protoreflect.Int32Kind:
		ns, ok := lookUp(outOfRange, s.fd)
		if !ok {
			t.Fatalf("%s: this test doesn't know its range; write it into outOfRange", s.fd.FullName())
		}
		for _, n := range ns {
			switch kind {
			case protoreflect.Uint64Kind:
				out = append(out, uint64(n)) //nolint:gosec // the table holds none below zero
			case protoreflect.Int32Kind:
				out = append(out, int32(n)) //nolint:gosec // the table keeps to small numbers
			default:
				out = append(out, n)
			}
		}
	case protoreflect.BytesKind:
		most := label.MaxRaw
		if k, _ := lookUp(kinds, s.fd); k == "readings" {
			most = 8 << 20
		}
		if n, ok := mostBytes[string(s.fd.Parent().Name())+"."+string(s.fd.Name())]; ok {
			most = n
		}
		out = append(out, make([]byte, most+1))
	case protoreflect.BoolKind, protoreflect.MessageKind: // every value is meant; a message's fields have spots of their own
	default:
		t.Fatalf("%s: this test doesn't know the type %s", s.fd.FullName(), kind)
	}
	return out
}

// mustName checks that exactly that field is named, with words for a person.
func mustName(t *testing.T, how, field string, got map[string]string) {
	t.Helper()
	say, ok := got[field]
	if !ok || len(got) != 1 {
		t.Errorf("%s: the answer names %q, want %s alone", how, slices.Sorted(maps.Keys(got)), field)
		return
	}
	if say == "" || strings.Contains(say, "proto:") || strings.Contains(say, "parsing") {
		t.Errorf("%s: %s: %q is not said for people", how, field, say)
	}
}

func TestEveryBaseRequestIsSound(t *testing.T) {
	d := start(t, memlog.New())
	for _, m := range methods(t) {
		switch err := d.call(m, m.base(t)); status.Code(err) {
		case codes.OK, codes.NotFound:
		case codes.InvalidArgument: // sound in form, but this tube has no flag to answer, and the logger is not declared
			field := "tube"
			switch m.desc.Name() {
			case "ImportReadings":
				field = "logger"
			case "ReleaseLock", "RevokeToken":
				field = "id" // nobody's yet
			case "EnrolDevice":
				field = "proof" // r = s = 1 fits no key
			}
			mustName(t, string(m.desc.Name()), field, violationsOf(err))
		default:
			t.Errorf("%s: %v", m.desc.Name(), err)
		}
	}
}

// Each field of each method is wrong in turn, over gRPC and REST.
func TestEveryWrongFieldIsNamed(t *testing.T) {
	d := start(t, memlog.New())
	for _, m := range methods(t) {
		for _, s := range spots(m.desc.Input()) {
			for i, v := range s.wrongValues(t) {
				msg := m.baseFor(t, s)
				field := s.set(msg.ProtoReflect(), v)
				d.mustRefuse(m, msg, fmt.Sprintf("%s %s #%d", m.desc.Name(), field, i), field)
				if kind, _ := lookUp(kinds, s.fd); kind == "instant" && i < 3 {
					if say := violationsOf(d.call(m, msg))[field]; !strings.Contains(say, addTheZone) {
						t.Errorf("%s: %q says %q, want %q in it", field, v, say, addTheZone)
					}
				}
			}
		}
	}
}

func (d *daemon) mustRefuse(m method, msg proto.Message, what, field string) {
	d.t.Helper()
	err := d.call(m, msg)
	if status.Code(err) != codes.InvalidArgument {
		d.t.Errorf("%s: gRPC says %v, want InvalidArgument", what, err)
	} else {
		mustName(d.t, what+" gRPC", field, violationsOf(err))
	}
	a, ok := d.restJSON(m, jsonOf(d.t, msg))
	if !ok {
		return
	}
	if a.code != http.StatusBadRequest {
		d.t.Errorf("%s: REST says %d %s, want 400", what, a.code, a.body)
		return
	}
	mustName(d.t, what+" REST", field, a.violations())
}

func TestEveryMissingFieldIsNamed(t *testing.T) {
	d := start(t, memlog.New())
	seen := 0
	for _, m := range methods(t) {
		for _, s := range spots(m.desc.Input()) {
			if !api.Required(s.fd) {
				continue
			}
			seen++
			msg := m.baseFor(t, s)
			s.in(msg.ProtoReflect()).Clear(s.fd)
			d.mustRefuse(m, msg, fmt.Sprintf("%s without %s", m.desc.Name(), s.path), s.path)
		}
	}
	if seen < 60 {
		t.Errorf("only %d required fields were tried", seen)
	}
}

// A name with nothing in it is nobody's name, in a list too.
func TestAnEmptyItemOfAListIsNamed(t *testing.T) {
	d := start(t, memlog.New())
	for _, m := range methods(t) {
		for _, s := range spots(m.desc.Input()) {
			if s.fd.IsList() && s.fd.Kind() == protoreflect.StringKind {
				msg := m.base(t)
				field := s.set(msg.ProtoReflect(), "")
				d.mustRefuse(m, msg, fmt.Sprintf("%s %s empty", m.desc.Name(), field), field)
			}
		}
	}
}

func TestEveryListHasAnEnd(t *testing.T) {
	d := start(t, memlog.New())
	for _, m := range methods(t) {
		for _, s := range spots(m.desc.Input()) {
			if !s.fd.IsList() {
				continue
			}
			msg := m.base(t)
			list := s.in(msg.ProtoReflect()).Mutable(s.fd).List()
			for list.Len() <= api.MostOf(s.fd) {
				if s.fd.Message() != nil {
					list.AppendMutable()
				} else {
					list.Append(protoreflect.ValueOfString("x" + strconv.Itoa(list.Len())))
				}
			}
			err := d.call(m, msg)
			if status.Code(err) != codes.InvalidArgument || violationsOf(err)[s.path] == "" {
				t.Errorf("%s: %d items of %s: %v", m.desc.Name(), list.Len(), s.path, status.Code(err))
			}
		}
	}
}

// wrongType is JSON of another type than the field's.
func (s spot) wrongType() any {
	switch {
	case s.fd.IsList():
		return map[string]any{"a": 1}
	case s.fd.IsMap():
		return "text"
	}
	switch s.fd.Kind() {
	case protoreflect.StringKind, protoreflect.BytesKind:
		return 5
	case protoreflect.BoolKind:
		return "maybe"
	case protoreflect.MessageKind:
		return "text"
	default:
		return "five"
	}
}

func TestEveryFieldOfTheWrongTypeIsNamed(t *testing.T) {
	d := start(t, memlog.New())
	for _, m := range methods(t) {
		for _, s := range spots(m.desc.Input()) {
			fields := jsonOf(t, m.base(t))
			s.json(fields)[s.fd.JSONName()] = s.wrongType()
			if !m.body && s.fd.Kind() == protoreflect.StringKind {
				continue // in an address every value is text
			}
			a, ok := d.restJSON(m, fields)
			if !ok {
				continue // in a path every value is text
			}
			what := fmt.Sprintf("%s %s = %v", m.desc.Name(), s.path, s.wrongType())
			if a.code != http.StatusBadRequest {
				t.Errorf("%s: %d %s", what, a.code, a.body)
				continue
			}
			mustName(t, what, s.path, a.violations())
		}
	}
}

// API-S3: a name that nobody knows is never dropped in silence.
func TestAnUnknownFieldBesideEachIsNamed(t *testing.T) {
	d := start(t, memlog.New())
	for _, m := range methods(t) {
		for _, s := range spots(m.desc.Input()) {
			if !m.body {
				continue
			}
			fields := jsonOf(t, m.base(t))
			s.json(fields)["tubeTyp"] = "EDTA"
			want := strings.TrimSuffix(s.path, s.fd.JSONName()) + "tubeTyp"
			a, _ := d.restJSON(m, fields)
			if a.code != http.StatusBadRequest {
				t.Errorf("%s %s: %d %s", m.desc.Name(), want, a.code, a.body)
				continue
			}
			mustName(t, string(m.desc.Name()), want, a.violations())
		}
	}
}

func TestAnUnknownQueryParameterIsNamed(t *testing.T) {
	d := start(t, memlog.New())
	for _, m := range methods(t) {
		if m.verb == "" {
			continue
		}
		path, rest, _ := m.pathOf(jsonOf(t, m.base(t)))
		body := ""
		if m.body {
			data, err := json.Marshal(rest)
			if err != nil {
				t.Fatal(err)
			}
			body = string(data)
		}
		a := d.rest(m.verb, path+"?dryRun=true", body)
		if a.code != http.StatusBadRequest {
			t.Errorf("%s: %d %s", m.desc.Name(), a.code, a.body)
			continue
		}
		mustName(t, string(m.desc.Name()), "dryRun", a.violations())
	}
}

// bytes of a raw label are base64 in JSON; what is not is named.
func TestRawThatIsNoBase64IsNamed(t *testing.T) {
	d := start(t, memlog.New())
	body := `{"scans":[{"id":"s-1","step":"see","occurredAt":"2026-11-24T11:00:00Z","label":{"raw":%q}}]}`
	a := d.rest(http.MethodPost, "/v1/scans", fmt.Sprintf(body, "!!"))
	if a.code != http.StatusBadRequest {
		t.Fatalf("%d %s", a.code, a.body)
	}
	mustName(t, "raw", "scans[0].label.raw", a.violations())
	if a := d.rest(http.MethodPost, "/v1/scans", fmt.Sprintf(body, base64.StdEncoding.EncodeToString([]byte("T9")))); a.code == http.StatusInternalServerError {
		t.Errorf("%d %s", a.code, a.body)
	}
}
