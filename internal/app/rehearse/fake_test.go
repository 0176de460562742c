package rehearse_test

import (
	"context"
	"net"
	"path"
	"sync"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	custodyv1 "specimen.example/custody/proto/custody/v1"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

// fake keeps the requests it gets and gives set replies, by the name of the
// method. It is there to see how a story is said in the API; what a daemon makes
// of it is tested by playing the stories against one.
type fake struct {
	mu      sync.Mutex
	got     []proto.Message
	replies map[string]func() (proto.Message, error)
}

func newFake(t *testing.T) (*fake, *grpc.ClientConn) {
	t.Helper()
	f := &fake{replies: map[string]func() (proto.Message, error){}}
	server := grpc.NewServer(grpc.UnaryInterceptor(f.answer))
	custodyv1.RegisterScansServer(server, custodyv1.UnimplementedScansServer{})
	custodyv1.RegisterRequestsServer(server, custodyv1.UnimplementedRequestsServer{})
	custodyv1.RegisterTubesServer(server, custodyv1.UnimplementedTubesServer{})
	custodyv1.RegisterDirectoryServer(server, custodyv1.UnimplementedDirectoryServer{})
	stabilityv1.RegisterFlagsServer(server, stabilityv1.UnimplementedFlagsServer{})
	stabilityv1.RegisterRulesServer(server, stabilityv1.UnimplementedRulesServer{})
	listener := bufconn.Listen(1 << 16)
	go func() { _ = server.Serve(listener) }() // ends with Stop
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///fake", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	f.reply("SetClock", &custodyv1.SetClockResponse{})
	f.reply("RecordScans", &custodyv1.RecordScansResponse{Answers: []*custodyv1.ScanAnswer{{Answer: "recorded", State: "judged"}}})
	f.reply("PlaceRequest", &custodyv1.Request{})
	f.reply("RecordReadings", &custodyv1.RecordReadingsResponse{})
	f.reply("AdoptRules", &stabilityv1.AdoptRulesResponse{Answer: "recorded"})
	for method, entry := range map[string]proto.Message{
		"PutPlace": &custodyv1.Place{}, "PutCarrier": &custodyv1.Carrier{}, "PutLogger": &custodyv1.Logger{},
		"PutPerson": &custodyv1.Person{}, "PutDevice": &custodyv1.Device{}, "PutRoute": &custodyv1.Route{}, "PutSchemes": &custodyv1.NumberSchemes{},
	} {
		f.reply(method, entry)
	}
	return f, conn
}

func (f *fake) answer(_ context.Context, req any, info *grpc.UnaryServerInfo, _ grpc.UnaryHandler) (any, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.got = append(f.got, req.(proto.Message))
	reply := f.replies[path.Base(info.FullMethod)]
	if reply == nil {
		return nil, status.Error(codes.NotFound, "no such thing")
	}
	m, err := reply()
	if err != nil {
		return nil, err
	}
	return m, nil
}

func (f *fake) reply(method string, m proto.Message) {
	f.will(method, func() (proto.Message, error) { return m, nil })
}

func (f *fake) will(method string, reply func() (proto.Message, error)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.replies[method] = reply
}

// last gives the newest request of a kind.
func last[T proto.Message](t *testing.T, f *fake) T {
	t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := len(f.got) - 1; i >= 0; i-- {
		if m, ok := f.got[i].(T); ok {
			return m
		}
	}
	var none T
	t.Fatalf("no %T came", none)
	return none
}
