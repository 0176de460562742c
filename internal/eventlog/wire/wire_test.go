package wire_test

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"unsafe"

	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/eventlog/wire"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// fill sets every field of v to a value of its own, so that a field forgotten
// or swapped on the way to the stored form shows.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.String:
		v.SetString(fmt.Sprint("w", *n))
	case reflect.Int64, reflect.Int32:
		v.SetInt(int64(*n))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Slice:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			v.SetBytes([]byte{byte(*n), 0, 7})
			return
		}
		s := reflect.MakeSlice(v.Type(), 2, 2)
		for i := range 2 {
			fill(s.Index(i), n)
		}
		v.Set(s)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	default:
		panic(v.Kind())
	}
}

func TestEveryFactHasAStoredForm(t *testing.T) {
	fields := (&eventv1.Fact{}).ProtoReflect().Descriptor().Oneofs().ByName("fact").Fields()
	if fields.Len() != len(event.Examples()) {
		t.Errorf("%d stored forms for %d facts", fields.Len(), len(event.Examples()))
	}
	last := protoreflect.FieldNumber(0)
	for i, f := range event.Examples() {
		if fd := fields.Get(i); string(fd.Message().Name()) != f.FactName() || fd.Number() <= last {
			t.Errorf("fact %d is %s and its stored form %s with number %d", i, f.FactName(), fd.Message().Name(), fd.Number())
		} else {
			last = fd.Number()
		}
		full := reflect.New(reflect.TypeOf(f)).Elem()
		n := 0
		fill(full, &n)
		for _, fact := range []event.Fact{f, full.Interface().(event.Fact)} {
			d := event.Decision{Envelope: event.Envelope{ID: "x", Kind: event.KindTube, Key: "L-TB1"}, Facts: []event.Fact{fact}}
			data, err := wire.Decision(&d)
			if err != nil {
				t.Fatal(err)
			}
			if generated, err := wire.GeneratedDecision(&d); err != nil || !bytes.Equal(data, generated) {
				t.Errorf("%s: written as\n%x\nand by the generated code (%v) as\n%x", f.FactName(), data, err, generated)
			}
			for name, read := range map[string]func([]byte) (event.Decision, error){"by hand": wire.ReadDecision, "generated": wire.ReadAnyDecision, "again": wire.NewReader().Decision} {
				back, err := read(data)
				if err != nil {
					t.Fatal(err)
				}
				if !reflect.DeepEqual(back.Facts[0], fact) {
					t.Errorf("%s: %s came back as\n%+v\nand was\n%+v", name, f.FactName(), back.Facts[0], fact)
				}
			}
		}
	}
}

// What fills a log is read by hand, else a start takes its time.
func TestWhatFillsALogIsReadByHand(t *testing.T) {
	r := wire.NewReader()
	for _, fact := range event.Examples() {
		switch fact.(type) {
		case event.RequestPlaced, event.TubeAssigned, event.DrawStarted, event.Collected, event.Packed, event.Unpacked, event.Released, event.TakenOver,
			event.Seen, event.Received, event.AcceptedForTesting, event.SpinStarted, event.SpinEnded, event.Measured, event.Stored, event.Retrieved,
			event.ResultIssued, event.FlagRaised, event.FlagChanged, event.Arrived:
		default:
			continue
		}
		full, n := reflect.New(reflect.TypeOf(fact)).Elem(), 0
		fill(full, &n)
		d := event.Decision{Envelope: event.Envelope{ID: "x", Kind: event.KindTube, Key: "L-TB1", Digest: []byte{1}, Place: "WARD-N", Mode: event.Live}, Facts: []event.Fact{full.Interface().(event.Fact)}}
		data, err := wire.Decision(&d)
		if err != nil {
			t.Fatal(err)
		}
		if !r.ByHand(data) {
			t.Errorf("%s: the generated code read it", fact.FactName())
		}
	}
}

// A reader shares the texts that decisions have in common.
func TestAReaderSharesWords(t *testing.T) {
	r := wire.NewReader()
	var places [2]string
	for i := range places {
		d := event.Decision{Envelope: event.Envelope{ID: fmt.Sprint(i), Kind: event.KindTube, Key: "L-TB1", Place: "WARD-N"}, Facts: []event.Fact{event.Seen{}}}
		data, err := wire.Decision(&d)
		if err != nil {
			t.Fatal(err)
		}
		back, err := r.Decision(data)
		if err != nil || back.Place != "WARD-N" {
			t.Fatalf("%q %v", back.Place, err)
		}
		places[i] = back.Place
	}
	if unsafe.StringData(places[0]) != unsafe.StringData(places[1]) {
		t.Error("one place stands twice in memory")
	}
}

func BenchmarkDecision(b *testing.B) {
	d := event.Decision{Envelope: event.Envelope{
		ID: "01HZX3V7", Kind: event.KindTube, Key: "L-TB0000001", Digest: make([]byte, 32), Occurred: 1795518000000, DeviceTime: 1795518000100, OffsetMs: 100,
		TimeSource: "scanned", Recorded: 1795518000200, Actor: "LENA", Device: "PHONE-1", DeviceSeq: 7, Place: "WARD-N", Mode: event.Live, How: "code", Step: "pack",
	}, Facts: []event.Fact{event.Packed{Carrier: "L-BOX1"}}}
	data, err := wire.Decision(&d)
	if err != nil {
		b.Fatal(err)
	}
	for name, write := range map[string]func(*event.Decision) ([]byte, error){"written by hand": wire.Decision, "written by the generated code": wire.GeneratedDecision} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := write(&d); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	for name, read := range map[string]func([]byte) (event.Decision, error){"by hand": wire.NewReader().Decision, "generated": wire.ReadAnyDecision} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := read(data); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func TestEveryFieldOfTheEnvelopeIsStored(t *testing.T) {
	var d event.Decision
	n := 0
	fill(reflect.ValueOf(&d.Envelope).Elem(), &n)
	d.Facts = []event.Fact{event.Seen{}}
	data, err := wire.Decision(&d)
	if err != nil {
		t.Fatal(err)
	}
	back, err := wire.ReadDecision(data)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back, d) {
		t.Errorf("came back as\n%+v\nand was\n%+v", back, d)
	}
	if generated, err := wire.GeneratedDecision(&d); err != nil || !bytes.Equal(data, generated) {
		t.Errorf("written as\n%x\nand by the generated code (%v) as\n%x", data, err, generated)
	}
}

// The stored form is the protocol's: the generated code, which has no line of ours,
// writes the same bytes and reads them alike.
func TestRunsOfReadingsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRun(t)
		data, err := wire.Run(&r)
		if err != nil {
			t.Fatal(err)
		}
		generated, err := wire.GeneratedRun(&r)
		if err != nil || !bytes.Equal(data, generated) {
			t.Fatalf("written as\n%x\nand by the generated code (%v) as\n%x", data, err, generated)
		}
		for name, read := range map[string]func([]byte) (event.Run, error){"by hand": wire.ReadRun, "generated": wire.ReadAnyRun} {
			back, err := read(data)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if !reflect.DeepEqual(back, r) {
				t.Fatalf("%s: came back as\n%+v\nand was\n%+v", name, back, r)
			}
		}
	})
}

func drawRun(t *rapid.T) event.Run {
	name := rapid.StringMatching(`[A-Z0-9-]{0,6}`)
	r := event.Run{
		Logger: "L-LG1", ID: name.Draw(t, "id"), Device: name.Draw(t, "device"), Import: name.Draw(t, "import"),
		Recorded: event.Instant(rapid.Int64Range(-5, 1<<50).Draw(t, "recorded")), Readings: []event.Reading{},
	}
	at := event.Instant(rapid.Int64Range(-1, 1<<50).Draw(t, "start"))
	regular, text := rapid.Bool().Draw(t, "regular"), rapid.Bool().Draw(t, "text")
	for range rapid.IntRange(0, 20).Draw(t, "n") {
		v := event.Reading{At: at, OK: rapid.Bool().Draw(t, "ok")}
		if v.OK {
			v.C = event.CentiC(rapid.Int32().Draw(t, "c"))
		}
		if text {
			v.Raw = rapid.SampledFrom([]string{"", "21.5", "-0.25", strings.Repeat("7", 200), "°"}).Draw(t, "raw")
		}
		r.Readings = append(r.Readings, v)
		step := int64(60000)
		if !regular {
			step = rapid.Int64Range(-1000, 100000).Draw(t, "step")
		}
		at += event.Instant(step)
	}
	return r
}

func TestTextThatIsNoneIsNotStored(t *testing.T) {
	for _, r := range []event.Run{{ID: "\xff"}, {Readings: []event.Reading{{Raw: "\xff"}}}} {
		if data, err := wire.Run(&r); err == nil {
			t.Errorf("%+v became %x, which nobody can read back", r, data)
		}
	}
}

// BenchmarkReadRun is a start's reading of one run, beside the generated code's.
func BenchmarkReadRun(b *testing.B) {
	for _, n := range []int{1, 10, 100} {
		r := event.Run{Logger: "L-LG1", ID: "0190f8c2-2b7e-7e06-9c3f-5f7a0b7d9a11", Recorded: 1_764_000_000_000, Device: "GATE-1"}
		for i := range n {
			r.Readings = append(r.Readings, event.Reading{At: event.Instant(1_764_000_000_000 + i*60_000), C: event.CentiC(400 + i), OK: true, Raw: "4.25"})
		}
		data, err := wire.Run(&r)
		if err != nil {
			b.Fatal(err)
		}
		for name, read := range map[string]func([]byte) (event.Run, error){"hand": wire.ReadRun, "generated": wire.ReadAnyRun} {
			b.Run(fmt.Sprintf("%s/%d", name, n), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := read(data); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/reading")
			})
		}
		for name, write := range map[string]func(*event.Run) ([]byte, error){"hand": wire.Run, "generated": wire.GeneratedRun} {
			b.Run(fmt.Sprintf("write %s/%d", name, n), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := write(&r); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func TestRefusesANewerSchema(t *testing.T) {
	d := event.Decision{Envelope: event.Envelope{ID: "x", Kind: event.KindTube, Key: "L-TB1"}}
	data, err := wire.Decision(&d)
	if err != nil {
		t.Fatal(err)
	}
	newer := append([]byte{8, wire.Schema + 1}, data[2:]...) // field 1, schema
	if _, err := wire.ReadDecision(newer); err == nil {
		t.Fatal("a decision of a newer schema was read")
	}
	if _, err := wire.ReadDecision(nil); err == nil {
		t.Fatal("an empty message was read as a decision")
	}
}

// FuzzReadDecision: whatever stands in the stream, reading it ends with the answer of the
// generated code, and what can be read can be written and read again alike.
func FuzzReadDecision(f *testing.F) {
	for _, fact := range event.Examples() {
		d := event.Decision{Envelope: event.Envelope{ID: "x", Kind: event.KindTube, Key: "L-TB1"}, Facts: []event.Fact{fact}}
		data, err := wire.Decision(&d)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	reader := wire.NewReader()
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := reader.Decision(data)
		other, otherErr := wire.ReadAnyDecision(data)
		if (err == nil) != (otherErr == nil) || !reflect.DeepEqual(d, other) {
			t.Fatalf("by hand\n%+v %v\nand by the generated code\n%+v %v", d, err, other, otherErr)
		}
		if err != nil {
			return
		}
		again, err := wire.Decision(&d)
		if err != nil {
			t.Fatalf("what was read can't be written: %v", err)
		}
		if generated, err := wire.GeneratedDecision(&d); err != nil || !bytes.Equal(again, generated) {
			t.Fatalf("written as\n%x\nand by the generated code (%v) as\n%x", again, err, generated)
		}
		back, err := wire.ReadDecision(again)
		if err != nil || !reflect.DeepEqual(back, d) {
			t.Fatalf("%v\n%+v\n%+v", err, back, d)
		}
	})
}

// FuzzReadRun does the same for readings.
func FuzzReadRun(f *testing.F) {
	r := event.Run{Logger: "L-LG1", ID: "r", Readings: []event.Reading{{At: 1, C: 2, OK: true}, {At: 9}, {At: 11, C: -5, OK: true}}}
	data, err := wire.Run(&r)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	r.Readings, r.Device, r.Import = []event.Reading{{At: 1, C: 425, OK: true, Raw: "4.25"}, {At: 60_001}}, "d", "i"
	if data, err = wire.Run(&r); err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := wire.ReadRun(data)
		if err == nil && len(r.Readings) > len(data) {
			t.Fatalf("%d readings out of %d bytes", len(r.Readings), len(data))
		}
		other, otherErr := wire.ReadAnyRun(data)
		if (err == nil) != (otherErr == nil) || !reflect.DeepEqual(r, other) {
			t.Fatalf("by hand\n%+v %v\nand by the generated code\n%+v %v", r, err, other, otherErr)
		}
	})
}

func TestAPatientKeyComesBack(t *testing.T) {
	for _, k := range []wire.PatientKey{
		{Reference: "RINVENTED", Key: bytes.Repeat([]byte{7}, 60), Wrapped: true, Wrap: "WINVENTED"},
		{Reference: "RINVENTED", Key: bytes.Repeat([]byte{7}, 32)},
		{Wrapped: true}, // what an erased one leaves
	} {
		data, err := wire.Key(k)
		if err != nil || len(data) == 0 {
			t.Fatalf("%+v: %x, %v", k, data, err)
		}
		if got, err := wire.ReadKey(data); err != nil || !reflect.DeepEqual(got, k) {
			t.Errorf("%+v became %+v, %v", k, got, err)
		}
	}
}
