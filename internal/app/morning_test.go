package app

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/web/browsertest"
)

// morning is a reception of invented islands at ten past nine: eight boxes of 300 tubes
// come with the van, 40 of them in trouble. Limits are those of the stories' fixture.
type morning struct {
	*phoneRig
	boxes   map[string][]string // by label
	trouble map[string]string   // what is wrong, by tube
}

var morningAt = time.Date(2026, 11, 24, 9, 10, 0, 0, time.UTC)

const tubesOfMorning = 300

func newMorning(t *testing.T) *morning {
	t.Helper()
	m := &morning{phoneRig: newPhoneRig(t, morningAt), boxes: map[string][]string{}, trouble: map[string]string{}}
	m.house()
	m.collect()
	m.warm()
	return m
}

// house adopts the limits and declares who and what there is.
func (m *morning) house() {
	m.t.Helper()
	file, err := os.ReadFile("../../testdata/stories/fixture.yaml")
	if err != nil {
		m.t.Fatal(err)
	}
	m.send(http.MethodPost, "/v1/rules:adopt", map[string]any{"file": string(file), "by": "lena", "inForce": "2026-11-24T00:00:00Z"})
	for _, p := range []struct{ id, kind string }{{"WARD-N", "ward"}, {"VAN", "vehicle"}, {"RECEPTION", "reception"}} {
		m.send(http.MethodPut, "/v1/places/"+p.id, map[string]any{"name": strings.ToLower(p.id), "kind": p.kind, "zone": "Europe/Berlin", "by": "lena", "assumed": map[string]any{"low": "20", "high": "24"}})
	}
	m.send(http.MethodPut, "/v1/routes/VAN-R", map[string]any{"from": "WARD-N", "to": "RECEPTION", "departs": []string{"09:15"}, "takesMinutes": "65", "zone": "Europe/Berlin", "by": "lena"})
	for i := range 8 {
		box := fmt.Sprint("B-", i+1)
		m.send(http.MethodPut, "/v1/carriers/"+box, map[string]any{"kind": "box", "by": "lena"})
		m.send(http.MethodPut, fmt.Sprint("/v1/loggers/LG-", i+1), map[string]any{"everySeconds": "300", "in": box, "by": "lena", "occurredAt": "2026-11-24T07:00:00Z"})
	}
}

func (m *morning) send(method, path string, body any) {
	m.t.Helper()
	text, err := json.Marshal(body)
	if err != nil {
		m.t.Fatal(err)
	}
	m.call(method, path, string(text), nil)
}

// report sends scans that happened before, 500 at a time, and wants each recorded.
func (m *morning) report(scans []map[string]any) {
	m.t.Helper()
	for part := range slices.Chunk(scans, 500) {
		text, err := json.Marshal(map[string]any{"scans": part})
		if err != nil {
			m.t.Fatal(err)
		}
		var got struct {
			Answers []struct{ ID, Answer, Say string }
		}
		m.call(http.MethodPost, "/v1/scans", string(text), &got)
		for _, a := range got.Answers {
			if a.Answer != "recorded" {
				m.t.Fatalf("%+v", a)
			}
		}
	}
}

// told is a scan of the ward at a time of the morning.
func told(step, label, at string, more ...string) map[string]any {
	s := map[string]any{
		"id": fmt.Sprint(step, "-", label, "-", strings.ReplaceAll(at, ":", "")), "step": step, "label": map[string]any{"text": label}, "occurredAt": "2026-11-24T" + at + "Z",
		"place": "WARD-N", "by": "mira", "device": "H-09", "mode": "reported",
	}
	for i := 0; i+1 < len(more); i += 2 {
		s[more[i]] = more[i+1]
	}
	return s
}

// collect draws the tubes, three to a draw, and lets the van leave with them. 20 with
// potassium lie in the box that gets warm, 10 with glucose will have had their hour, 10
// are the wrong tube for their test.
func (m *morning) collect() {
	m.t.Helper()
	var scans []map[string]any
	for i := range tubesOfMorning {
		tube, box := fmt.Sprintf("TB26%04d", 1000+i), fmt.Sprint("B-", i%8+1)
		kind, test := "LIHEP-GEL", "K"
		switch nth := len(m.boxes[box]); {
		case box == "B-3" && nth < 20:
			m.trouble[tube] = "heat"
		case box == "B-3":
			test = "TSH" // no limit adopted: nothing is said of it
		case box == "B-5" && nth < 10:
			test, m.trouble[tube] = "GLU", "time"
		case nth == 0 || box == "B-1" && nth < 5:
			kind, m.trouble[tube] = "EDTA", "wrong-tube"
		}
		m.boxes[box] = append(m.boxes[box], tube)
		s := told("collect", tube, "08:00:00", "type", kind, "draw", fmt.Sprint("D-", i/3))
		s["tests"] = []string{test}
		scans = append(scans, s, told("pack", tube, "08:05:00", "carrier", box))
	}
	for i := range 8 {
		s := told("depart", fmt.Sprint("B-", i+1), "08:15:00", "by", "oskar")
		s["details"] = map[string]string{"route": "VAN-R", "mode": "van"}
		scans = append(scans, s)
	}
	m.report(scans)
	if len(m.trouble) != 40 {
		m.t.Fatalf("%d tubes are in trouble, want 40", len(m.trouble))
	}
}

// warm sends what the loggers measured; one box stood in the sun.
func (m *morning) warm() {
	m.t.Helper()
	var runs []map[string]any
	for i := range 8 {
		var readings []map[string]any
		for minute := 0; minute <= 70; minute += 5 {
			c := "21.0"
			if i == 2 && minute >= 30 {
				c = "33.0"
			}
			readings = append(readings, map[string]any{"at": time.Date(2026, 11, 24, 8, minute, 0, 0, time.UTC).Format(time.RFC3339), "celsius": c})
		}
		runs = append(runs, map[string]any{"logger": fmt.Sprint("LG-", i+1), "id": "run", "readings": readings})
	}
	m.send(http.MethodPost, "/v1/readings", map[string]any{"runs": runs})
}

// counter is a desk of the reception: a browser of its own, and who works there.
type counter struct {
	*browsertest.Page
	t   *testing.T
	who string
}

var deskLook = browsertest.Look{Width: 1440, Height: 1000}

func (m *morning) counter(who string) *counter {
	m.t.Helper()
	c := &counter{browsertest.Open(m.t, m.url+"/hatch?place=RECEPTION", deskLook), m.t, who}
	c.act(`#who [data-act="who"]`)
	c.Wait(`document.querySelector('#ask [name="staff"]')`)
	c.Eval(`document.querySelector('#ask [name="staff"]').focus()`, nil)
	c.Type(who + "\n")
	c.Wait(fmt.Sprintf(`document.querySelector("#who b")?.textContent.toUpperCase() === %q`, strings.ToUpper(who)))
	c.act(`[data-act="sound"]`)
	return c
}

// act presses a control by keyboard.
func (c *counter) act(selector string) {
	c.t.Helper()
	c.Wait(`document.querySelector(` + quoted(selector) + `)?.checkVisibility()`)
	c.Eval(`{ const b = document.querySelector(`+quoted(selector)+`); b.closest("details")?.setAttribute("open", ""); b.focus(); } 1`, nil)
	c.Press(browsertest.Keys("\n", 0)...)
}

func quoted(s string) string {
	text, _ := json.Marshal(s) // a string always has a form in JSON
	return string(text)
}

// read is a label read by a hand-held reader, wherever the cursor is.
func (c *counter) read(label string) {
	c.t.Helper()
	c.Press(browsertest.Keys("]C0"+label+"\n", 2*time.Millisecond)...)
}

func (c *counter) number(expression string) int {
	c.t.Helper()
	var n int
	c.Eval(expression, &n)
	return n
}

// open scans a box, and goes on without its logger where that is asked.
func (c *counter) open(box string) {
	c.t.Helper()
	c.read(box)
	c.WaitFor(30*time.Second, `document.querySelector("#box [data-box]")?.dataset.box === `+quoted(box))
}

// unpack scans the tubes of the open box and finishes it.
func (c *counter) unpack(tubes []string) {
	c.t.Helper()
	for i, tube := range tubes {
		c.read(tube)
		if i%10 == 9 {
			c.WaitFor(30*time.Second, fmt.Sprintf(`Number(document.querySelector("#box [data-box]")?.dataset.got) >= %d`, i+1))
		}
	}
	c.WaitFor(30*time.Second, fmt.Sprintf(`document.querySelector("#box [data-box]")?.dataset.got === "%d"`, len(tubes)))
}

// lines are the lines of a cause: what each says of its tubes, and its state.
func (c *counter) tubesOf(cause string) (lines, tubes int) {
	c.t.Helper()
	lines = c.number(`document.querySelectorAll('#hands [data-cause=` + quoted(cause) + `]').length`)
	tubes = c.number(`[...document.querySelectorAll('#hands [data-cause=` + quoted(cause) + `]')].reduce((n, r) => n + JSON.parse(r.dataset.tubes).length, 0)`)
	return lines, tubes
}

// flagged waits until the log holds so many open flags.
func (m *morning) flagged(n int) {
	m.t.Helper()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		var got struct{ Flags []struct{ Tube string } }
		m.call(http.MethodGet, "/v1/flags", "", &got)
		if len(got.Flags) == n {
			return
		}
		if time.Now().After(deadline) {
			m.t.Fatalf("%d flags are up, want %d", len(got.Flags), n)
		}
	}
}

// A morning at the reception: two desks and a wall in real browsers, eight boxes, 300
// tubes, 40 in trouble. Each flag is taken and acted on at the reception, what one desk
// takes shows at the other (ALR-S3), the rack stops what nobody saw (ALR-S2 is a story), and
// the log holds exactly what was done.
func TestAMorningAtTheHatch(t *testing.T) {
	m := newMorning(t)
	m.flagged(40)
	wall := browsertest.Open(t, m.url+"/wall", browsertest.Wall)
	wall.Wait(`document.querySelectorAll("#boxes > *").length === 8`)
	one, two := m.counter("lena"), m.counter("tom")

	// The warm box is one line of 20, whoever looks.
	for _, c := range []*counter{one, two} {
		c.Wait(`document.querySelectorAll('#hands [data-cause="box|B-3"]').length === 1`)
		if lines, tubes := c.tubesOf("box|B-3"); lines != 1 || tubes != 20 {
			t.Errorf("%s sees the warm box in %d lines of %d tubes", c.who, lines, tubes)
		}
	}
	one.act(`#hands [data-cause="box|B-3"] [data-act="take"]`)
	two.Wait(`document.querySelector('#hands [data-cause="box|B-3"]')?.textContent.toUpperCase().includes("TAKEN BY LENA")`)

	// Each desk opens four boxes and receives what is in them.
	for i := range 4 {
		for _, c := range []struct {
			*counter
			box string
		}{{one, fmt.Sprint("B-", i+1)}, {two, fmt.Sprint("B-", i+5)}} {
			c.open(c.box)
			c.unpack(m.boxes[c.box])
		}
	}
	wall.Wait(`document.querySelectorAll("#boxes > *").length === 0`)

	// What is in trouble is seen to: the rest is taken and acted on, line by line.
	for _, c := range []*counter{one, two} {
		for range 45 {
			if c.number(`document.querySelectorAll('#hands [data-state=""]').length`) == 0 {
				break
			}
			before := c.number(`document.querySelectorAll('#hands [data-state=""]').length`)
			c.act(`#hands [data-state=""] [data-act="take"]`)
			c.Wait(fmt.Sprintf(`document.querySelectorAll('#hands [data-state=""]').length < %d`, before))
		}
	}
	one.act(`#hands [data-cause="box|B-3"] [data-act="act"]`)
	one.Wait(`document.getElementById("ask").open`)
	one.act(`#ask [data-act^="act-"]`)
	two.Wait(`document.querySelector('#hands [data-cause="box|B-3"]')?.dataset.state === "done"`)

	m.proves(one, two)
}

// proves compares the log with what was done: every tube received once at the reception,
// every flag answered there by one of the two, none raised twice.
func (m *morning) proves(one, two *counter) {
	m.t.Helper()
	received, answered := 0, 0
	for _, tubes := range m.boxes {
		for _, tube := range tubes {
			var got, raised, takes int
			for _, rec := range m.of(tube) {
				for _, f := range rec.Facts {
					switch f.(type) {
					case event.Received:
						got++
					case event.FlagRaised:
						raised++
					case event.FlagTaken, event.FlagActed:
						takes++
						if rec.Place != "RECEPTION" || !strings.EqualFold(rec.Actor, one.who) && !strings.EqualFold(rec.Actor, two.who) {
							m.t.Errorf("%s: its flag was answered by %s at %q", tube, rec.Actor, rec.Place)
						}
					}
				}
			}
			if got == 1 {
				received++
			} else {
				m.t.Errorf("%s was received %d times", tube, got)
			}
			if _, bad := m.trouble[tube]; bad != (takes > 0) || bad && raised != 1 || !bad && raised != 0 {
				m.t.Errorf("%s (%s): raised %d times, answered %d times", tube, m.trouble[tube], raised, takes)
			} else if bad {
				answered++
			}
		}
	}
	if received != tubesOfMorning || answered != len(m.trouble) {
		m.t.Errorf("%d received, %d of %d answered", received, answered, len(m.trouble))
	}
	for _, c := range []*counter{one, two} {
		for _, e := range c.Errors() {
			m.t.Errorf("%s: %s", c.who, e)
		}
	}
}

// A flood: 500 tubes of one warm box. It sounds once, is one line, and the line holds all
// of them (EEMUA 191 on floods; ui checklist C).
func TestAFloodIsOneLineAndSoundsOnce(t *testing.T) {
	m := &morning{phoneRig: newPhoneRig(t, morningAt), boxes: map[string][]string{}}
	m.house()
	var scans []map[string]any
	for i := range 500 {
		s := told("collect", fmt.Sprint("TB27", 1000+i), "08:00:00", "type", "LIHEP-GEL")
		s["tests"] = []string{"K"}
		scans = append(scans, s, told("pack", fmt.Sprint("TB27", 1000+i), "08:05:00", "carrier", "B-3"))
	}
	s := told("depart", "B-3", "08:15:00", "by", "oskar")
	s["details"] = map[string]string{"route": "VAN-R"}
	m.report(append(scans, s))
	desk := m.counter("lena")
	m.warm()
	m.flagged(500)
	desk.WaitFor(time.Minute, `JSON.parse(document.querySelector('#hands [data-cause="box|B-3"]')?.dataset.tubes ?? "[]").length === 500`)
	if n := desk.number(`document.querySelectorAll("#hands > *").length`); n != 1 {
		t.Errorf("%d lines for one cause", n)
	}
	if n := desk.number(`Number(document.getElementById("sound").dataset.sounded ?? 0)`); n != 1 {
		t.Errorf("it sounded %d times", n)
	}
	if n := desk.number(`new Set(JSON.parse(document.querySelector('#hands [data-cause="box|B-3"]').dataset.tubes).map((x) => x.id)).size`); n != 500 {
		t.Errorf("the line holds %d tubes", n)
	}
	desk.act(`#hands [data-cause="box|B-3"] [data-act="take"]`)
	desk.WaitFor(time.Minute, `document.querySelectorAll("#hands > *").length === 1 && JSON.parse(document.querySelector('#hands [data-state="taken"]')?.dataset.tubes ?? "[]").length === 500`)
	taken := 0
	for i := range 500 {
		if slices.ContainsFunc(m.of(fmt.Sprint("TB27", 1000+i)), func(rec event.Record) bool {
			return slices.ContainsFunc(rec.Facts, func(f event.Fact) bool { _, is := f.(event.FlagTaken); return is })
		}) {
			taken++
		}
	}
	if taken != 500 {
		t.Errorf("one press took %d of 500", taken)
	}
}
