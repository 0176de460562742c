package custody

import (
	"fmt"
	"runtime"
	"strings"
	"testing"

	"specimen.example/custody/internal/event"
)

// aLife is an invented laboratory's traffic: draws of three tubes on a ward, each with an
// order, a box of 24 that a courier takes over a declared route, a bench that spins,
// measures and throws away. Records are as the log gives them: every text is a value of its
// own, ids are UUIDs, the phone's clock and counter are there, the desk's are not.
func aLife(tubes int, each func(*event.Record)) (perTube float64) {
	seq, boots := uint64(0), 0
	own := func(s string) string { return strings.Clone(s) }
	add := func(kind event.Kind, key string, at event.Instant, phone, place, step string, facts ...event.Fact) {
		seq++
		env := event.Envelope{
			ID: fmt.Sprintf("01937b2e-%04x-7%03x-8%03x-%012x", seq&0xffff, seq&0xfff, seq&0xfff, seq), Kind: event.Kind(own(string(kind))), Key: event.Key(own(key)),
			Digest: make([]byte, 16), Occurred: at, DeviceTime: at, Recorded: at + 800, TimeSource: own("scanned"), ZoneOffsetMin: 60,
			Actor: own("mira"), Principal: own("mira"), Role: own("collector"), Device: own(phone), DeviceSeq: int64(seq), Place: own(place), //nolint:gosec // few
			Mode: event.Mode(own("live")), How: own("camera"), App: own("phone-2026.11.3"), Step: own(step),
		}
		if strings.HasPrefix(phone, "H-") {
			env.BootID, env.MonotonicMs = fmt.Sprintf("boot-%08d", boots), int64(at-lawStart)+1
		}
		each(&event.Record{Seq: seq, Decision: event.Decision{Envelope: env, Facts: facts}})
	}
	tests := [][]string{{"K", "NA", "GLU", "CREA"}, {"CBC", "HBA1C"}, {"INR", "APTT"}}
	types := []string{"LIHEP-GEL", "EDTA", "CITRATE"}
	add(event.KindRoute, "L-RT-1", lawStart, "DESK", "", "", event.RouteDescribed{From: "WARD-N", To: "LAB", TakesMin: 40, Departs: []string{"08:00", "12:00"}, Zone: "UTC"})
	for _, place := range []string{"WARD-N", "HATCH", "LAB", "BIN"} {
		add(event.KindPlace, "L-"+place, lawStart, "DESK", "", "", event.PlaceDescribed{PlaceKind: "reception", Zone: "UTC"})
	}
	const inBox = 24
	for n := 0; n < tubes; n += inBox {
		at := lawStart + event.Instant(n)*15_000
		boots = n / 500
		phone, box := fmt.Sprintf("H-%02d", n/inBox%12), fmt.Sprintf("L-B%02d", n/inBox%30)
		if n/inBox < 30 {
			add(event.KindCarrier, box, at, "DESK", "", "", event.CarrierDescribed{CarrierKind: "box"})
		}
		tube := func(i int) string { return fmt.Sprintf("L-TB26%06d", n+i) }
		for i := 0; i < inBox; i += 3 {
			draw, request, patient := fmt.Sprintf("L-D-%08x", n+i), fmt.Sprintf("L-R-26%06d", n+i), fmt.Sprintf("%032x", n+i)
			var facts []event.Fact
			facts = append(facts, event.RequestPlaced{Patient: own(patient), Tests: []string{"K", "NA", "GLU", "CREA", "CBC", "HBA1C", "INR", "APTT"}, Priority: own("routine")})
			for k := range 3 {
				facts = append(facts, event.TubeAssigned{Tube: event.Key(tube(i + k)), Type: own(types[k]), Tests: []string{own(tests[k][0]), own(tests[k][1])}})
			}
			add(event.KindRequest, request, at-3_600_000, "DESK", "", "place-request", facts...)
			add(event.KindDraw, draw, at+event.Instant(i)*20_000, phone, "WARD-N", "wristband", event.DrawStarted{Patient: own(patient), Checks: []string{own("wristband")}})
			for k := range 3 {
				add(event.KindTube, tube(i+k), at+event.Instant(i+k)*20_000+5_000, phone, "WARD-N", "collect",
					event.Collected{Type: own(types[k]), Patient: own(patient), Draw: event.Key(own(draw)), Request: event.Key(own(request))})
				add(event.KindTube, tube(i+k), at+event.Instant(i+k)*20_000+9_000, phone, "WARD-N", "pack", event.Packed{Carrier: event.Key(own(box))})
			}
			add(event.KindDraw, draw, at+event.Instant(i)*20_000+60_000, phone, "WARD-N", "end-draw", event.DrawEnded{AfterCare: own("pressure")})
		}
		at += 900_000
		add(event.KindCarrier, box, at, "H-90", "WARD-N", "take", event.TakenOver{From: own("mira")})
		add(event.KindCarrier, box, at+60_000, "H-90", "WARD-N", "depart", event.Departed{Route: "L-RT-1", Mode: own("van")})
		add(event.KindCarrier, box, at+2_400_000, "DESK", "LAB", "receive", event.Arrived{}, event.TakenOver{})
		for i := range inBox {
			at := at + 2_500_000 + event.Instant(i)*5_000
			add(event.KindTube, tube(i), at, "DESK", "LAB", "receive", event.Received{})
			add(event.KindTube, tube(i), at+60_000, "DESK", "LAB", "accept", event.AcceptedForTesting{})
			add(event.KindTube, tube(i), at+600_000, "DESK", "LAB", "spin", event.SpinStarted{Programme: own("GEL")})
			add(event.KindTube, tube(i), at+1_200_000, "DESK", "LAB", "end-spin", event.SpinEnded{})
			add(event.KindTube, tube(i), at+2_400_000, "DESK", "LAB", "measure", event.Measured{What: own("measured")})
			add(event.KindTube, tube(i), at+9_000_000, "DESK", "BIN", "discard", event.Disposed{Reason: own("done")})
		}
		add(event.KindCarrier, box, at+3_000_000, "DESK", "LAB", "empty", event.Emptied{})
	}
	return float64(seq) / float64(tubes)
}

func heap() float64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc)
}

// BenchmarkHeapPerTube reports what one tube costs while it is open and at rest, with all
// that hangs together with it: its part of draws, orders and boxes, and of the indexes.
// What rests goes to rest as in a laboratory, half a day after the last that happened; a
// thousand tubes are open at a time, and all of them rest at the end.
func BenchmarkHeapPerTube(b *testing.B) {
	const tubes = 24_000
	drop := func([]*event.Record) (uint64, error) { return 0, nil } // as a file: nothing of it stays
	for b.Loop() {
		begin := heap()
		w := NewWorld()
		w.Zones = zones
		perTube := aLife(tubes, func(rec *event.Record) { w.Apply(rec) })
		b.ReportMetric((heap()-begin)/tubes, "B/open-tube")
		runtime.KeepAlive(w)

		begin = heap()
		w = NewWorld()
		w.Zones = zones
		w.Recall = func(uint64) ([]*event.Record, error) { return nil, errNothing }
		n := 0
		aLife(tubes, func(rec *event.Record) {
			w.Apply(rec)
			if n++; n%100 == 0 {
				if _, err := w.RestSome(50, Terms{Before: rec.Occurred - 12*3_600_000}, drop); err != nil {
					b.Fatal(err)
				}
			}
		})
		if _, err := w.RestSome(tubes, Terms{Before: nothing}, drop); err != nil {
			b.Fatal(err)
		}
		cases, rest := w.Resting()
		if rest != tubes || cases != tubes/3 || w.Len(event.KindTube) != tubes || w.Failed() != nil {
			b.Fatalf("%d tubes in %d cases rest", rest, cases)
		}
		b.ReportMetric((heap()-begin)/tubes, "B/resting-tube")
		for _, key := range w.Keys(event.KindCarrier) { // what boxes are is kept: take it out to see the rest
			delete(w.logs[event.KindCarrier], key)
		}
		clear(w.members)
		clear(w.scannedAt)
		clear(w.onRoute)
		b.ReportMetric((heap()-begin)/tubes, "B/resting-tube-without-boxes")
		b.ReportMetric(perTube, "records/tube")
		runtime.KeepAlive(w)
	}
}
