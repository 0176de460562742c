package app_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/resolver"
	"google.golang.org/grpc/resolver/manual"

	"specimen.example/custody/internal/app/apptest"
	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog"
	"specimen.example/custody/internal/eventlog/logtest"
	"specimen.example/custody/internal/story"
	"specimen.example/custody/internal/web/browsertest"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

func TestMain(m *testing.M) {
	code := browsertest.Main(m)
	apptest.Clean()
	os.Exit(code)
}

const custodyStream = "CUSTODY_2026"

// dueAfter is the age at which the fixture's potassium limit of 240 min on a
// lithium heparin gel tube is used up to 80 %: then "running out" is flagged.
const dueAfter = 192 * time.Minute

// settle declares what the tests of this file scan about: two places whose
// temperature is declared, so that the bench band of the fixture's limits holds.
func settle(t *testing.T, conn grpc.ClientConnInterface) {
	t.Helper()
	bench := rehearse.New(conn, rehearse.WithContext(t.Context()))
	room := event.Range{Low: 2000, High: 2400, Known: true}
	for _, d := range []story.Declared{
		story.Place{ID: "CLINIC", Kind: "clinic", Zone: "UTC", Assumed: room},
		story.Place{ID: "LAB", Kind: "reception", Zone: "UTC", Assumed: room},
		story.Person{ID: "mira", Role: "collector"},
	} {
		if err := bench.Declare(d); err != nil {
			t.Fatal(err)
		}
	}
	rules, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := bench.Adopt("fixture.yaml", rules, event.At(time.Now().Add(-24*time.Hour)), false, "lena"); err != nil {
		t.Fatal(err)
	}
}

// order places one request with a tube for each name, potassium on all.
func order(t *testing.T, conn grpc.ClientConnInterface, id string, tubes ...string) {
	t.Helper()
	req := &custodyv1.PlaceRequestRequest{
		Id: id, Patient: "P-" + id, Tests: []string{"K"}, By: "mira", ScanId: "order-" + id,
		OccurredAt: event.At(time.Now().Add(-5 * time.Hour)).String(),
	}
	for _, tube := range tubes {
		req.Tubes = append(req.Tubes, &custodyv1.AssignedTube{Tube: tube, Type: "LIHEP-GEL", Tests: []string{"K"}})
	}
	if _, err := custodyv1.NewRequestsClient(conn).PlaceRequest(t.Context(), req); err != nil {
		t.Fatal(err)
	}
}

// collected is the scan that makes a tube's potassium fall due at an instant.
func collected(tube string, due time.Time) *custodyv1.Scan {
	return &custodyv1.Scan{
		Id: tube + "-collected", Label: &custodyv1.Label{Text: tube}, Step: "collect", Mode: "reported", Place: "CLINIC", By: "mira",
		OccurredAt: event.At(due.Add(-dueAfter)).String(), Device: "PHONE-DUE",
	}
}

// save sends a scan until it is recorded, as a phone does.
func save(ctx context.Context, conn grpc.ClientConnInterface, scan *custodyv1.Scan) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var last error
	for ctx.Err() == nil {
		try, cancel := context.WithTimeout(ctx, answerWithin)
		resp, err := custodyv1.NewScansClient(conn).RecordScans(try, &custodyv1.RecordScansRequest{Scans: []*custodyv1.Scan{scan}})
		cancel()
		if err != nil {
			last = err
			time.Sleep(20 * time.Millisecond)
			continue
		}
		a := resp.GetAnswers()[0]
		if event.Answer(a.GetAnswer()) == event.AnswerRecorded {
			return nil
		}
		return fmt.Errorf("scan %s was answered %s %s: %s", scan.GetId(), a.GetAnswer(), a.GetRefusal(), a.GetSay())
	}
	return fmt.Errorf("scan %s was not recorded: %w", scan.GetId(), last)
}

func mustSave(t *testing.T, conn grpc.ClientConnInterface, scan *custodyv1.Scan) {
	t.Helper()
	if err := save(t.Context(), conn, scan); err != nil {
		t.Fatal(err)
	}
}

// see is a scan that changes nothing but that a tube was seen.
func see(tube, id string) *custodyv1.Scan {
	return &custodyv1.Scan{
		Id: id, Label: &custodyv1.Label{Text: tube}, Step: "see", Mode: "reported", Place: "LAB", By: "mira",
		OccurredAt: event.At(time.Now()).String(), Device: "DESK-" + id,
	}
}

// holds waits until a daemon's tube has a scan on its timeline.
func holds(t *testing.T, d *apptest.Daemon, tube, id string) {
	t.Helper()
	apptest.Until(t, "the scan "+id, func(ctx context.Context) (bool, string) {
		got, err := custodyv1.NewTubesClient(d.Conn).GetTube(ctx, &custodyv1.GetTubeRequest{Id: tube})
		if err != nil {
			return false, err.Error()
		}
		return slices.ContainsFunc(got.GetTimeline(), func(s *custodyv1.Step) bool { return s.GetId() == id }), "it is not on the timeline"
	})
}

// leader waits until exactly one of the daemons leads, and gives it and the other.
func leader(t *testing.T, a, b *apptest.Daemon) (leads, stands *apptest.Daemon) {
	t.Helper()
	apptest.Until(t, "one leader", func(ctx context.Context) (bool, string) {
		la, lb := a.Leads(ctx), b.Leads(ctx)
		if leads, stands = a, b; lb {
			leads, stands = b, a
		}
		return la != lb, fmt.Sprintf("%v and %v lead", la, lb)
	})
	return leads, stands
}

// both is one connection to two daemons: a client that tries the other when one is
// gone.
func both(t *testing.T, daemons ...*apptest.Daemon) *grpc.ClientConn {
	t.Helper()
	r := manual.NewBuilderWithScheme("daemons")
	var state resolver.State
	for _, d := range daemons {
		state.Endpoints = append(state.Endpoints, resolver.Endpoint{Addresses: []resolver.Address{{Addr: d.Address}}})
	}
	r.InitialState(state)
	conn, err := grpc.NewClient("daemons:///any", grpc.WithResolvers(r), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithNoProxy(),
		grpc.WithDefaultServiceConfig(`{"loadBalancingConfig":[{"round_robin":{}}]}`),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 20 * time.Millisecond, Multiplier: 1.5, MaxDelay: 200 * time.Millisecond}}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// joined opens the cluster's log as one more process, and reads it to its end.
func joined(t *testing.T, c *apptest.Cluster) []event.Record {
	t.Helper()
	log, err := eventlog.Open(t.Context(), eventlog.Options{URL: c.URL(), OperatorURL: c.OperatorURL(), Volume: "2026", BreakEven: 8})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = log.Close() }()
	return readAll(t, log)
}

func readAll(t *testing.T, log eventlog.Log) []event.Record {
	t.Helper()
	return logtest.Whole(t, log).Records()
}

// flagsRaised counts the FlagRaised facts of each tube.
func flagsRaised(records []event.Record) map[event.Key]int {
	raised := map[event.Key]int{}
	for i := range records {
		for _, f := range records[i].Facts {
			if _, ok := f.(event.FlagRaised); ok {
				raised[records[i].Key]++
			}
		}
	}
	return raised
}

// flaggedOnce waits until the flags of all tubes are up, and wants each raised once.
func flaggedOnce(t *testing.T, c *apptest.Cluster, conn grpc.ClientConnInterface, tubes []string) {
	t.Helper()
	for _, tube := range tubes {
		apptest.Until(t, "the flag of "+tube, func(ctx context.Context) (bool, string) {
			got, err := custodyv1.NewTubesClient(conn).GetTube(ctx, &custodyv1.GetTubeRequest{Id: tube})
			if err != nil {
				return false, err.Error()
			}
			return got.GetFacts()["FlagRaised"] > 0, fmt.Sprint(got.GetFacts())
		})
	}
	raised := flagsRaised(joined(t, c))
	for _, tube := range tubes {
		key, err := event.LocalKey(tube)
		if err != nil {
			t.Fatal(err)
		}
		if raised[key] != 1 {
			t.Errorf("the flag of %s was raised %d times", tube, raised[key])
		}
	}
}

// due orders n tubes and collects them so that they fall due one after another, the
// first after the given time.
func due(t *testing.T, conn grpc.ClientConnInterface, name string, n int, first, apart time.Duration) []string {
	t.Helper()
	tubes := make([]string, n)
	for i := range tubes {
		tubes[i] = fmt.Sprintf("%s%03d", name, i)
	}
	order(t, conn, "R-"+name, tubes...)
	start := time.Now().Add(first)
	for i, tube := range tubes {
		mustSave(t, conn, collected(tube, start.Add(time.Duration(i)*apart)))
	}
	return tubes
}

// Two daemons on three servers: what `custodyd --nats URL` promises.
func TestTwoDaemonsOnThreeServers(t *testing.T) {
	t.Parallel()
	c := apptest.NewCluster(t)
	a, b := apptest.NewDaemon(t, apptest.OnCluster(t, c)...), apptest.NewDaemon(t, apptest.OnCluster(t, c)...)
	a.Serving()
	b.Serving()
	settle(t, a.Conn)

	t.Run("scans go in through either", func(t *testing.T) {
		leads, stands := leader(t, a, b)
		mustSave(t, leads.Conn, see("EITHER1", "e1"))
		mustSave(t, stands.Conn, see("EITHER1", "e2"))
		for _, d := range []*apptest.Daemon{a, b} {
			holds(t, d, "EITHER1", "e1")
			holds(t, d, "EITHER1", "e2")
		}
	})
	t.Run("EVT-S3 two desks act on one tube at once", func(t *testing.T) { twoDesks(t, c, a, b) })
	t.Run("a clean stop hands the lease over at once", func(t *testing.T) {
		leads, stands := leader(t, a, b)
		tubes := due(t, leads.Conn, "CLEAN", 40, 1500*time.Millisecond, 100*time.Millisecond)
		time.Sleep(3 * time.Second) // some are due before the stop, some after it
		leads.Stop()
		stopped := time.Now()
		apptest.Until(t, "the other leads", func(ctx context.Context) (bool, string) { return stands.Leads(ctx), "it does not" })
		t.Logf("the other led %v after the clean stop", time.Since(stopped).Round(10*time.Millisecond))
		flaggedOnce(t, c, stands.Conn, tubes)
		leads.Start()
		leads.Serving()
	})
	t.Run("a kill hands it over when it has lapsed", func(t *testing.T) {
		leads, stands := leader(t, a, b)
		tubes := due(t, leads.Conn, "KILL", 60, 1500*time.Millisecond, 100*time.Millisecond)
		time.Sleep(3 * time.Second)
		leads.Kill()
		killed := time.Now()
		apptest.Until(t, "the other leads", func(ctx context.Context) (bool, string) { return stands.Leads(ctx), "it does not" })
		t.Logf("the other led %v after the kill; the lease holds %v", time.Since(killed).Round(10*time.Millisecond), eventlog.LeaseTime)
		flaggedOnce(t, c, stands.Conn, tubes)
		leads.Start()
		leads.Serving()
	})
	t.Run("the network is cut", func(t *testing.T) { networkCut(t, c) })
	t.Run("EVT-S6 poison event", func(t *testing.T) { poison(t, c, a, b) })
	t.Run("EVT-S4 a stream is changed behind our back", func(t *testing.T) { changedBehindOurBack(t, c, a) })
	a.Stop()
	b.Stop()
}

// twoDesks is EVT-S3 through the whole daemon: a live receive at one and a live
// discard at the other, each on the state it knows. Both are answered, the log holds
// each once and in one order, and both daemons tell the same story afterwards.
func twoDesks(t *testing.T, c *apptest.Cluster, a, b *apptest.Daemon) {
	const rounds = 20
	for round := range rounds {
		tube := fmt.Sprintf("DESKS%d", round)
		mustSave(t, a.Conn, see(tube, tube+"-0"))
		holds(t, b, tube, tube+"-0")
		var wg sync.WaitGroup
		errs := make([]error, 2)
		for i, d := range []*apptest.Daemon{a, b} {
			scan := see(tube, fmt.Sprintf("%s-%d", tube, i+1))
			scan.Mode, scan.Step = "live", []string{"receive", "discard"}[i]
			wg.Go(func() { errs[i] = save(t.Context(), d.Conn, scan) })
		}
		wg.Wait()
		// The discard always fits. The receive is refused when the discard came first:
		// it was decided again, on what had happened meanwhile, and says so.
		if errs[1] != nil {
			t.Errorf("round %d: %v", round, errs[1])
		}
		if errs[0] != nil && !strings.Contains(errs[0].Error(), "refused disposed") {
			t.Errorf("round %d: %v", round, errs[0])
		}
	}
	last := map[event.Key]uint64{}
	times := map[string]int{}
	for _, r := range joined(t, c) {
		if r.Seq <= last[r.Key] {
			t.Errorf("%s stands at %d behind %d", r.ID, r.Seq, last[r.Key])
		}
		last[r.Key] = r.Seq
		if times[r.ID]++; times[r.ID] > 1 {
			t.Errorf("the scan %s stands %d times in the log", r.ID, times[r.ID])
		}
	}
}

// networkCut puts a failing network between one more daemon and the servers.
func networkCut(t *testing.T, c *apptest.Cluster) {
	proxies := make([]*apptest.Proxy, len(c.Nodes))
	var urls []string
	for i, n := range c.Nodes {
		proxies[i] = apptest.NewProxy(t, n.Client)
		urls = append(urls, apptest.URLVia(proxies[i].Address))
	}
	all := func(f func(p *apptest.Proxy)) {
		for _, p := range proxies {
			f(p)
		}
	}
	d := apptest.NewDaemon(t, "--data", t.TempDir(), "--nats", strings.Join(urls, ","), "--operator-nats", c.OperatorURL(),
		"--key-file", apptest.KeyFile(t), "--identity-keys", c.IdentityKeys, "--log", "info").Serving()
	n := 0
	next := func() string {
		n++
		return fmt.Sprintf(`{"scans":[{"id":"cut-%d","label":{"text":"CUT1"},"step":"see","mode":"reported","by":"mira","place":"LAB","device":"DESK-CUT","occurredAt":%q}]}`,
			n, event.At(time.Now()).String())
	}
	acked := map[string]bool{}
	keep := func(code int, body string) {
		if code == 200 && strings.Contains(body, `"recorded"`) {
			acked[fmt.Sprintf("cut-%d", n)] = true
		}
	}
	for _, fault := range []struct {
		name string
		make func(p *apptest.Proxy)
		say  string
	}{
		{"cut", (*apptest.Proxy).Cut, "not saved"},
		{"silent", (*apptest.Proxy).Silence, "it may be saved or not"}, // which is the truth: the bytes were sent
	} {
		code, _, body, err := d.Post(t.Context(), "/v1/scans", next())
		if err != nil || code != 200 {
			t.Fatalf("%s, before: %d %s %v", fault.name, code, body, err)
		}
		keep(code, body)
		all(fault.make)
		lost := next()
		code, header, body, err := d.Post(t.Context(), "/v1/scans", lost)
		if err != nil || code != 503 || header.Get("Retry-After") == "" || !strings.Contains(body, fault.say) {
			t.Errorf("%s: %d %v %s %v; want 503, Retry-After and %q", fault.name, code, header, body, err, fault.say)
		}
		d.Until("/readyz", 503, "the log does not answer")
		all((*apptest.Proxy).Heal)
		d.Until("/readyz", 200)
		code, _, body, err = d.Post(t.Context(), "/v1/scans", lost)
		if err != nil || code != 200 || !strings.Contains(body, `"recorded"`) {
			t.Errorf("%s, the same scan again afterwards: %d %s %v", fault.name, code, body, err)
		}
		keep(code, body)
	}
	// A slow network: nothing fails, nothing is doubled.
	all(func(p *apptest.Proxy) { p.Delay(150 * time.Millisecond) })
	code, _, body, err := d.Post(t.Context(), "/v1/scans", next())
	if err != nil || code != 200 {
		t.Errorf("slow: %d %s %v", code, body, err)
	}
	keep(code, body)
	all((*apptest.Proxy).Heal)
	times := map[string]int{}
	for _, r := range joined(t, c) {
		times[r.ID]++
	}
	for id := range acked {
		if times[id] != 1 {
			t.Errorf("the acknowledged scan %s stands %d times in the log", id, times[id])
		}
	}
	d.Stop()
}

// poison is a message that no daemon can read: it is listed, its tube says "cannot
// say", and the rest goes on.
func poison(t *testing.T, c *apptest.Cluster, a, b *apptest.Daemon) {
	tubes := []string{"POISON1", "POISON2"}
	order(t, a.Conn, "R-POISON", tubes...)
	for _, tube := range tubes {
		mustSave(t, a.Conn, collected(tube, time.Now().Add(time.Hour)))
	}
	op := logtest.NewOperator(t, c.OperatorURL())
	op.Publish(event.Subject("2026", event.KindTube, "L-POISON1"), []byte("not a decision"))
	for _, d := range []*apptest.Daemon{a, b} {
		d.Until("/healthz", 200, "could not process", "1 messages of the log", "cannot say")
		d.Until("/v1/tubes/POISON1", 200, `"cannot-say"`)
		d.Until("/v1/tubes/POISON2", 200, `"within-limits"`)
		d.Until("/metrics", 200, "\ncustody_messages_not_processed 1\n")
	}
	// The tube can be scanned still, and others can.
	mustSave(t, a.Conn, see("POISON1", "poison-seen"))
	holds(t, b, "POISON1", "poison-seen")
	b.Until("/v1/tubes/POISON1", 200, `"cannot-say"`)
}

// changedBehindOurBack is EVT-S4 while the daemon runs: a setting by which facts
// could be lost stops the writing with words until it is put right.
func changedBehindOurBack(t *testing.T, c *apptest.Cluster, d *apptest.Daemon) {
	op := logtest.NewOperator(t, c.OperatorURL())
	for _, change := range []struct {
		word     string
		do, undo func()
	}{
		{"max_age", func() { op.MaxAge(custodyStream, time.Hour) }, func() { op.MaxAge(custodyStream, 0) }},
		{"discard", func() { op.DiscardOld(custodyStream, true) }, func() { op.DiscardOld(custodyStream, false) }},
	} {
		change.do()
		d.Until("/healthz", 503, "settings of "+custodyStream, change.word, "could lose facts")
		code, header, body, err := d.Post(t.Context(), "/v1/scans",
			fmt.Sprintf(`{"scans":[{"id":%q,"label":{"text":"BEHIND1"},"step":"see","mode":"reported","by":"mira","place":"LAB","occurredAt":%q}]}`, "behind-"+change.word, event.At(time.Now()).String()))
		if err != nil || code != 503 || header.Get("Retry-After") == "" || !strings.Contains(body, "not saved") {
			t.Errorf("%s: %d %v %s %v; want 503 and \"not saved\"", change.word, code, header, body, err)
		}
		change.undo()
		d.Until("/readyz", 200)
		mustSave(t, d.Conn, see("BEHIND1", "behind-"+change.word))
	}
	if _, err := eventlogOpenLosing(t, c, op); err == nil {
		t.Error("a log on a stream that could lose facts was opened")
	}
}

// eventlogOpenLosing opens the log while the stream is set wrongly.
func eventlogOpenLosing(t *testing.T, c *apptest.Cluster, op *logtest.Operator) (eventlog.Log, error) {
	op.MaxAge(custodyStream, time.Hour)
	defer op.MaxAge(custodyStream, 0)
	log, err := eventlog.Open(t.Context(), eventlog.Options{URL: c.URL(), OperatorURL: c.OperatorURL(), Volume: "2026", BreakEven: 8})
	var losing *eventlog.LosingError
	if err != nil && !errors.As(err, &losing) {
		t.Errorf("refused for another reason: %v", err)
	}
	return log, err
}
