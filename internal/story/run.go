package story

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// Failure is one expectation that was not met.
type Failure struct {
	File            string
	Line            int
	Expected, Found string
}

// String is file:line: expected …, found ….
func (f Failure) String() string {
	return fmt.Sprintf("%s:%d: expected %s, found %s", f.File, f.Line, f.Expected, f.Found)
}

// Result is what a run of one story gave.
type Result struct {
	File, Title string
	Passed      int
	Failures    []Failure
}

// Report prints results: one line for each failure, then "N passed, N failed".
func Report(results ...Result) string {
	var b strings.Builder
	passed, failed := 0, 0
	for _, r := range results {
		passed += r.Passed
		failed += len(r.Failures)
		for _, f := range r.Failures {
			b.WriteString(f.String() + "\n")
		}
	}
	fmt.Fprintf(&b, "%d passed, %d failed\n", passed, failed)
	return b.String()
}

// adoptedBefore is how long before the story its rules came into force, so that
// a time told late (typed, offline) is still judged by them.
const adoptedBefore = 365 * 24 * time.Hour

// Run drives the bench through the story. files gives the bytes of rule files
// and imports by the path written in the story. A failed expectation is in the
// result; an error is something the story could not do, with its line, and the
// result then holds what was compared before it.
func Run(s *Story, b Bench, files func(string) ([]byte, error)) (Result, error) {
	r := &runner{
		story: s, bench: b, files: files, kinds: s.kinds(), seqs: s.sequences(), known: map[string]bool{},
		answers: map[int][]Answer{}, result: Result{File: s.Name, Title: s.Title}, errors: map[string]time.Duration{},
	}
	err := r.run()
	return r.result, err
}

type runner struct {
	story   *Story
	bench   Bench
	files   func(string) ([]byte, error)
	kinds   map[string]event.Kind
	known   map[string]bool          // kind and id of what is declared
	errors  map[string]time.Duration // by device
	seqs    map[int]int64            // device sequence by line
	answers map[int][]Answer         // by line
	now     event.Instant
	result  Result
}

func (r *runner) at(line int, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s:%d: %w", r.story.Name, line, err)
}

func (r *runner) run() error {
	if err := r.prepare(); err != nil {
		return err
	}
	for _, m := range r.story.Timeline() {
		if m.At != 0 && m.At != r.now {
			if err := r.bench.Clock(m.At); err != nil {
				return r.at(m.Line, fmt.Errorf("set the clock to %s: %w", m.At, err))
			}
			r.now = m.At
		}
		var err error
		if m.Check != nil {
			err = r.compare(m.Check)
		} else {
			err = r.step(m)
		}
		if err != nil {
			return r.at(m.Line, err)
		}
	}
	return nil
}

// prepare sets the clock before everything, adopts the rules and declares.
func (r *runner) prepare() error {
	r.now = r.story.start()
	head := func(word string) int {
		for _, h := range r.story.Heads {
			if h.Word == word {
				return h.Line
			}
		}
		return 1
	}
	if err := r.bench.Clock(r.now); err != nil {
		return r.at(head("day"), fmt.Errorf("set the clock to %s: %w", r.now, err))
	}
	if r.story.Rules != "" {
		data, err := r.files(r.story.Rules)
		if err == nil {
			err = r.bench.Adopt(r.story.Rules, data, r.now.Add(-adoptedBefore), false, "")
		}
		if err != nil {
			return r.at(head("rules"), fmt.Errorf("adopt %s: %w", r.story.Rules, err))
		}
	}
	for _, d := range r.story.Decls {
		r.known[d.Kind+" "+d.ID] = true
	}
	for _, d := range r.story.declarations() {
		for _, first := range r.story.referred(d.what, r.kinds, r.known) {
			if err := r.bench.Declare(first); err != nil {
				return r.at(d.line, err)
			}
		}
		if dev, ok := d.what.(Device); ok {
			r.errors[dev.ID] = dev.Error
		}
		if err := r.bench.Declare(d.what); err != nil {
			return r.at(d.line, err)
		}
	}
	return nil
}

func (r *runner) step(m Moment) error {
	st := m.Step
	for _, d := range r.story.undeclared(st, r.kinds, r.known) {
		if err := r.bench.Declare(d); err != nil {
			return err
		}
	}
	recorded := []Answer{{Answer: event.AnswerRecorded}}
	switch st.Verb {
	case "reading":
		r.answers[st.Line] = recorded
		return r.bench.Readings(st.IDs[0], m.Readings, st.Late)
	case "restart":
		r.answers[st.Line] = recorded
		return r.bench.Restart()
	case "adopt":
		data, err := r.files(st.IDs[0])
		if err != nil {
			return fmt.Errorf("adopt %s: %w", st.IDs[0], err)
		}
		r.answers[st.Line] = recorded
		return r.bench.Adopt(st.IDs[0], data, st.At, st.Attrs.Yes("in-flight"), st.Attrs.Text("by"))
	case "import":
		data, err := r.files(st.IDs[0])
		if err != nil {
			return fmt.Errorf("import %s: %w", st.IDs[0], err)
		}
		answer, err := r.bench.Import(ImportFile{
			Name: st.IDs[0], Data: data, Logger: st.Attrs.Text("logger"), Zone: st.Attrs.Text("zone"), Unit: st.Attrs.Text("unit"),
			Order: st.Attrs.Text("order"), ID: st.Attrs.Text("id"), By: st.Attrs.Text("by"),
		})
		r.answers[st.Line] = []Answer{{Answer: answer}}
		return err
	}
	for _, scan := range r.scans(st) {
		answer, err := r.bench.Scan(scan)
		if err != nil {
			return err
		}
		r.answers[st.Line] = append(r.answers[st.Line], answer)
	}
	return nil
}

// sequences numbers the steps of each device in the order in which the device
// made them. A step sent again under the same id keeps its number.
func (s *Story) sequences() map[int]int64 {
	steps := make([]*Step, len(s.Steps))
	for i := range s.Steps {
		steps[i] = &s.Steps[i]
	}
	slices.SortStableFunc(steps, func(a, b *Step) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Line, b.Line)) })
	next, again, out := map[string]int64{}, map[string]int64{}, map[int]int64{}
	for _, st := range steps {
		device, id := st.Attrs.Text("on"), st.Attrs.Text("id")
		if seq, said := st.Attrs.Get("seq"); said {
			out[st.Line] = seq.Number
			next[device] = max(next[device], seq.Number)
			continue
		}
		if seq, ok := again[device+" "+id]; ok && id != "" {
			out[st.Line] = seq
			continue
		}
		next[device]++
		out[st.Line] = next[device]
		if id != "" {
			again[device+" "+id] = next[device]
		}
	}
	return out
}

// scans gives the scans of a step, one for each id, or one without a label.
func (r *runner) scans(st *Step) []Scan {
	base := r.scan(st)
	ids := st.IDs
	if len(ids) == 0 {
		ids = []string{""}
	}
	out := make([]Scan, len(ids))
	for i, id := range ids {
		one := base
		if one.ID == "" {
			one.ID = fmt.Sprintf("story-%05d-%d", st.Line, i+1)
		}
		r.target(&one, st, id)
		out[i] = one
	}
	return out
}

// target says what the id of a step names.
func (r *runner) target(scan *Scan, st *Step, id string) {
	switch kind := verbs[st.Verb].names; kind {
	case patientID:
		scan.Patient = cmp.Or(id, scan.Patient)
		scan.Kind = event.KindDraw
	case event.KindDraw:
		scan.Draw = cmp.Or(id, scan.Draw)
		scan.Kind = event.KindDraw
	case scanID:
		scan.Details = with(scan.Details, "scan", id)
		scan.Label, scan.Kind = st.Attrs.Text("tube"), event.KindTube
		for _, kind := range []event.Kind{event.KindCarrier, event.KindLogger} {
			if id := st.Attrs.Text(string(kind)); id != "" {
				scan.Label, scan.Kind = id, kind
				delete(scan.Details, string(kind))
			}
		}
	case rawID:
		scan.Label, scan.Raw = id, true
	case "":
		scan.Label, scan.Kind = id, cmp.Or(r.kinds[id], event.KindTube)
	default:
		scan.Label, scan.Kind = id, kind
	}
}

func with(details map[string]string, key, value string) map[string]string {
	out := map[string]string{key: value}
	for k, v := range details {
		out[k] = v
	}
	return out
}

// scan gives what all scans of a step share.
func (r *runner) scan(st *Step) Scan {
	as := st.Attrs
	device := as.Text("on")
	tests, _ := as.Get("tests")
	mono, _ := as.Get("mono")
	off := r.errors[device]
	scan := Scan{
		ID: as.Text("id"), Step: st.Verb, Occurred: st.At, DeviceTime: st.At.Add(off), OffsetMs: off.Milliseconds(), MonotonicMs: mono.Number,
		Device: device, DeviceSeq: r.seqs[st.Line], Place: as.Text("at"), By: as.Text("by"), With: as.Text("with"),
		From: as.Text("from"), To: as.Text("to"), Draw: as.Text("draw"), Patient: as.Text("patient"), Request: as.Text("request"),
		Type: as.Text("type"), Parent: as.Text("parent"), Ward: as.Text("ward"), Tests: tests.List, Mode: event.Live, TypedAt: r.typed(st),
		How: as.Text("how"), Reason: as.Text("reason"), Note: as.Text("note"), Line: st.Line,
	}
	if mono.Number > 0 {
		scan.BootID = cmp.Or(as.Text("boot"), "1") // a counter means nothing without the start that it counts from
	}
	if st.Late {
		scan.Mode = event.Reported
	}
	in := as.Text("in")
	if in != "" && takesCarrier(st.Verb) {
		scan.Carrier = in
	} else if in != "" {
		scan.Details = with(scan.Details, "in", in)
		scan.Details = with(scan.Details, "in-kind", r.inKind(st.Verb, in))
	}
	for _, a := range as {
		if slices.Contains(everyStep(), a.Key) || slices.Contains(scanFields(), a.Key) {
			continue
		}
		scan.Details = with(scan.Details, a.Key, detail(a))
	}
	if st.Span.Text != "" {
		scan.Details = with(scan.Details, "from", st.Span.From.String())
		scan.Details = with(scan.Details, "until", st.Span.To.String())
	}
	return scan
}

// scanFields are the keys of verbs that are fields of a scan.
func scanFields() []string {
	return []string{"in", "from", "to", "draw", "patient", "request", "type", "parent", "tests"}
}

func (r *runner) inKind(verb, in string) string {
	if verb == "store" || r.kinds[in] == event.KindPlace {
		return string(event.KindPlace)
	}
	return string(event.KindCarrier)
}

func detail(a Attr) string {
	if shapes[a.Key] == anInstant {
		return a.Instant.String()
	}
	return a.Text
}

// typed completes a typed time of day with the date of the step, as a form
// would; everything else stays as typed.
func (r *runner) typed(st *Step) string {
	text := st.Attrs.Text("typed")
	s, err := readWhen(text)
	if text == "" || err != nil || s.isRel || s.year != 0 {
		return text
	}
	day := r.story.Day
	if date, _, found := strings.Cut(st.When, "T"); found {
		day = date
	}
	if day == "" {
		return text
	}
	return day + "T" + text
}
