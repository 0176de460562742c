package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"runtime"
	"sync"
	"time"

	"specimen.example/custody/internal/event"
)

const (
	// inFlight is how many tubes are under way in the full house.
	inFlight = 100_000
	// pageAsks is how often each page is asked for.
	pageAsks = 60
	// inTrouble of them are flagged, as on a bad morning.
	inTrouble = 40
	// fullTail is how much longer a page of the full house may take, in p99s of the empty one.
	fullTail = 3.0
)

// pagesUnderLoad measures the pages of the desk and the wall with 100,000 tubes in flight
// beside an empty daemon.
func pagesUnderLoad(ctx context.Context, s *settings, t *table) error {
	var bare map[string]*sample
	for _, tubes := range []int{0, inFlight} {
		h, err := openFull(ctx, tubes)
		if err != nil {
			return err
		}
		got, err := h.ask(ctx)
		h.close()
		if err != nil {
			return err
		}
		for _, path := range h.paths() {
			r := row{Part: "pages", What: fmt.Sprintf("%s, %d tubes", path, tubes), P50: got[path].quantile(0.5), P99: got[path].quantile(0.99)}
			if bare != nil {
				r.Said = fmt.Sprintf("p99 %.1f x empty, p50 %.1f x", r.P99/bare[path].quantile(0.99), r.P50/bare[path].quantile(0.5))
				r.Missed = r.P99 > fullTail*bare[path].quantile(0.99)
			}
			t.add(r)
		}
		if bare == nil {
			bare = got
		}
		s.tell("pages: %d tubes", tubes)
	}
	return nil
}

type fullHouse struct {
	*product
	url string
}

// paths are what is asked for: screens, and what they are made of.
func (*fullHouse) paths() []string {
	return []string{"/wall", "/hatch?place=RECEPTION", "/rack?place=RECEPTION", "/tubes/M-0", "/v1/flags", "/v1/spins?place=RECEPTION", "/v1/samples?place=RECEPTION"}
}

// openFull starts a daemon with so many tubes on their way, in boxes of 50, and a few
// that are in trouble at the reception.
func openFull(ctx context.Context, tubes int) (*fullHouse, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p, err := openProduct(ctx, l)
	if err != nil {
		return nil, err
	}
	h := &fullHouse{product: p, url: "http://" + l.Addr().String()}
	if err := h.fill(ctx, tubes); err != nil {
		p.close()
		return nil, err
	}
	end, err := p.log.End(ctx)
	if err == nil {
		err = p.model.Settled(ctx, end)
	}
	if err != nil {
		p.close()
		return nil, err
	}
	runtime.GC()
	return h, nil
}

func (h *fullHouse) fill(ctx context.Context, tubes int) error {
	early := clock().Add(-2 * time.Hour)
	if err := h.write(ctx, target(event.KindRoute, "ROUND"), event.RouteDescribed{From: "CLINIC", To: "RECEPTION", TakesMin: 60, Zone: "Europe/Berlin"}); err != nil {
		return err
	}
	put := func(kind event.Kind, label string, at event.Instant, place string, facts ...event.Fact) error {
		d := event.Decision{Envelope: event.Envelope{
			ID: id(), Kind: kind, Key: key(label), Occurred: at, DeviceTime: at, Recorded: at, Mode: event.Reported, Actor: "mira", Device: "PHONE-1", Place: place,
		}, Facts: facts}
		_, err := h.log.Append(ctx, &d, 0)
		return err
	}
	for i := range inTrouble {
		late := event.Collected{Type: "EDTA", Tests: []string{"K"}}
		if err := put(event.KindTube, fmt.Sprintf("M-%d", i), early, "RECEPTION", late, event.Received{}); err != nil {
			return err
		}
	}
	next := make(chan int)
	var wg sync.WaitGroup
	var once sync.Once
	var failed error
	for range 256 { // callers, so that the log gathers their writes
		wg.Go(func() {
			for i := range next {
				err := put(event.KindTube, fmt.Sprintf("W-%d", i), early, "CLINIC",
					event.Collected{Type: "LIHEP", Tests: []string{"NA", "K"}}, event.Packed{Carrier: key(fmt.Sprintf("BOX-%d", i/50))})
				if err == nil && i%50 == 49 && i/50 < 200 {
					err = put(event.KindCarrier, fmt.Sprintf("BOX-%d", i/50), early.Add(time.Minute), "CLINIC", event.Departed{Route: key("ROUND"), To: "RECEPTION"})
				}
				if err != nil {
					once.Do(func() { failed = err })
				}
			}
		})
	}
	for i := range tubes {
		next <- i
	}
	close(next)
	wg.Wait()
	return failed
}

func (h *fullHouse) ask(ctx context.Context) (map[string]*sample, error) {
	out := map[string]*sample{}
	for _, path := range h.paths() {
		out[path] = &sample{}
	}
	client := &http.Client{Transport: &http.Transport{}}
	for i := range pageAsks + 3 {
		for _, path := range h.paths() {
			begin := time.Now()
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, h.url+path, nil)
			if err != nil {
				return nil, err
			}
			resp, err := client.Do(req)
			if err != nil {
				return nil, err
			}
			_, err = io.Copy(io.Discard, resp.Body)
			_ = resp.Body.Close() // read whole
			if err == nil && resp.StatusCode != http.StatusOK {
				err = fmt.Errorf("%s: HTTP %d", path, resp.StatusCode)
			}
			if err != nil {
				return nil, err
			}
			if i >= 3 { // the first ones only warm up
				out[path].delays = append(out[path].delays, time.Since(begin))
			}
		}
	}
	return out, nil
}
