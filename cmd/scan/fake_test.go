package main

import (
	"bytes"
	"context"
	"strings"

	"google.golang.org/grpc"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// fakeScans records every scan and remembers none: it is there for the client's
// own behaviour. What a daemon answers is tested against a daemon.
type fakeScans struct {
	custodyv1.UnimplementedScansServer
}

func newFakeServer() *grpc.Server {
	server := grpc.NewServer()
	custodyv1.RegisterScansServer(server, fakeScans{})
	return server
}

func (fakeScans) RecordScans(_ context.Context, req *custodyv1.RecordScansRequest) (*custodyv1.RecordScansResponse, error) {
	resp := &custodyv1.RecordScansResponse{}
	for _, s := range req.Scans {
		resp.Answers = append(resp.Answers, &custodyv1.ScanAnswer{Id: s.Id, Answer: "recorded", Sequence: 7, State: "judged"})
	}
	return resp, nil
}

// lines is printed output.
type lines struct{ bytes.Buffer }

func (l *lines) count() int { return strings.Count(l.String(), "\n") }

func (l *lines) has(text string) bool { return strings.Contains(l.String(), text) }
