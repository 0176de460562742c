package web

import (
	"fmt"
	"maps"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"specimen.example/custody/internal/web/browsertest"
	"specimen.example/custody/internal/web/printing/printtest"
)

// readLimit is long: a loop of the longest film takes 10 s, and a busy machine may
// miss a symbol in the first.
const readLimit = 60 * time.Second

// cameraSite serves the pages of an invented site.
func cameraSite(t *testing.T) string {
	t.Helper()
	server := httptest.NewServer(Story{}.Handler(""))
	t.Cleanup(server.Close)
	return server.URL
}

// collect opens a camera of its own on the page and keeps what it reads in reads,
// as "]d2 hexadecimal".
const collect = `(async () => {
	const { Camera } = await import(new URL("./camera.js", document.querySelector("script[type=module]").src));
	const camera = window.camera = new Camera({ video: document.getElementById("video"), box: document.getElementById("aim"), %s });
	window.reads = []; window.asked = []; window.troubles = []; window.found = {};
	const text = (r) => r.symbology + " " + Array.from(r.bytes, (b) => b.toString(16).padStart(2, "0")).join("");
	camera.addEventListener("look", (e) => {
		for (const r of e.detail.reads) (window.found[text(r)] ??= []).push(e.detail.turned);
	});
	camera.addEventListener("read", (e) => {
		window.reads.push({ text: text(e.detail), how: e.detail.how, looks: window.found[text(e.detail)].length });
	});
	camera.addEventListener("choose", (e) => window.asked.push(e.detail.map(text).sort()));
	camera.addEventListener("trouble", (e) => window.troubles.push(e.detail));
	await camera.start();
	return true;
})()`

type cameraRead struct {
	Text, How string
	Looks     int // in how many pictures it was found before it was taken
}

// readsOf waits until the page has read all that is wanted, and gives the first read
// of each. On a busy machine the end of a scene and the beginning of the next can be
// two looks in a row: the camera asks, as it should, and is told to look again.
func readsOf(t *testing.T, p *browsertest.Page, want ...string) map[string]cameraRead {
	t.Helper()
	for _, w := range want {
		p.WaitFor(readLimit, fmt.Sprintf(`(window.camera.again(), window.reads.some(r => r.text === %q) || window.troubles.length > 0)`, w))
	}
	var reads []cameraRead
	p.Eval(`window.reads`, &reads)
	first := map[string]cameraRead{}
	for _, r := range reads {
		if _, ok := first[r.Text]; !ok {
			first[r.Text] = r
		}
		if r.How != "camera" {
			t.Errorf("%s was read by %q", r.Text, r.How)
		}
	}
	var troubles []struct{ Kind string }
	p.Eval(`window.troubles`, &troubles)
	if len(troubles) > 0 {
		t.Errorf("troubles: %v", troubles)
	}
	if got := slices.Sorted(maps.Keys(first)); len(got) != len(want) {
		t.Errorf("read %q, want %q", got, want)
	}
	return first
}

// textOf is how collect writes a read.
func textOf(id, data string) string { return fmt.Sprintf("%s %x", id, data) }

// The six symbols that stand on tubes, each as the camera sees them: with the
// identifier that tells GS1 from plain, the separator as 0x1D, and not a byte more or
// less. Nothing comes from another host.
func TestCameraReads(t *testing.T) {
	const gs, gtin = "\x1d", "0109521234000174"
	elements := func(serial string) string { return gtin + "10K7Q2" + gs + "21" + serial }
	symbols := []struct {
		id, data string
		mark     symbolMark
	}{
		{"]C0", "TB260118", symbolMark{grid: code128Of(t, text("TB260118")), module: 4, tilt: 3}},
		{"]C1", elements("S1"), symbolMark{grid: code128Of(t, gs1(t, elements("S1"))), module: 3, tilt: 2}},
		{"]d1", "TB260119", symbolMark{grid: dataMatrixOf(t, text("TB260119")), module: 5, tilt: 10}},
		{"]d2", elements("S2"), symbolMark{grid: dataMatrixOf(t, gs1(t, elements("S2"))), module: 4, tilt: -7}},
		{"]Q1", "TB260120", symbolMark{grid: drawnQR(t, printtest.QR, "TB260120"), module: 5, tilt: 20}},
		{"]Q3", elements("S3"), symbolMark{grid: drawnQR(t, printtest.GS1QR, elements("S3")), module: 5, tilt: -4}},
	}
	var scenes []scene
	var want []string
	for _, s := range symbols {
		s.mark.x, s.mark.y = filmWidth/2, filmHeight/2-20
		scenes = append(scenes, scene{[]symbolMark{s.mark}, 36}, scene{nil, 12})
		want = append(want, textOf(s.id, s.data))
	}
	site := cameraSite(t)
	browser := browsertest.Launch(t, browsertest.Camera(film(t, scenes...))...)

	p := browser.Open(t, site+"/camera", browsertest.Look{})
	p.Eval(fmt.Sprintf(collect, ""), nil)
	first := readsOf(t, p, want...)
	for _, w := range want {
		if strings.HasPrefix(w, "]C") && first[w].Looks < 2 {
			t.Errorf("%s was taken after %d pictures; a linear symbol wants two", w, first[w].Looks)
		}
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
	requests := p.Requests()
	for _, name := range []string{"/camera-worker.js", "/vendor/zxing/reader/index.js", "/vendor/zxing/share.js", "/vendor/zxing/reader/zxing_reader.wasm"} {
		if !slices.ContainsFunc(requests, func(r string) bool { return strings.HasSuffix(r, name) }) {
			t.Errorf("no request for %s was seen, so requests of the worker aren't listened to: %q", name, requests)
		}
	}
	for _, r := range requests {
		if !strings.HasPrefix(r, site+"/") {
			t.Errorf("the page asked another host: %s", r)
		}
	}

	t.Run("page", func(t *testing.T) { cameraOnThePage(t, browser, site) })
}

// cameraOnThePage goes through what people do there, on the film of the six symbols.
func cameraOnThePage(t *testing.T, browser *browsertest.Browser, site string) {
	p := browser.Open(t, site+"/camera", browsertest.Look{})
	p.Click("#open")
	// As in readsOf.
	const onward = `(document.getElementById("choose").hidden || document.getElementById("neither").click(), %s)`
	p.WaitFor(readLimit, fmt.Sprintf(onward, `document.getElementById("data").textContent === "GS1" && document.querySelector("#said .names")`))
	var said struct {
		Text, Symbol, Length string
		Control              []string
		Points               int
	}
	p.Eval(`({
		text: document.getElementById("said").innerText, symbol: document.getElementById("symbol").textContent,
		length: document.getElementById("length").textContent, points: document.querySelectorAll("#points li").length,
		control: [...document.querySelectorAll("#points .control")].map((e) => e.textContent),
	})`, &said)
	if !strings.Contains(said.Text, "This is a maker's product") || !strings.Contains(said.Text, "Product\n09521234000174") || !strings.Contains(said.Text, "(10)\nK7Q2") ||
		!slices.Contains([]string{"]C1 Code 128", "]d2 Data Matrix", "]Q3 QR"}, said.Symbol) ||
		said.Length != "27 characters" || said.Points != 27 || !slices.Equal(said.Control, []string{"GS1D"}) {
		t.Errorf("the page says %+v", said)
	}
	p.WaitFor(readLimit, fmt.Sprintf(onward, `document.querySelector("#said .number")?.textContent.startsWith("TB2601") && document.getElementById("data").textContent === "plain"`))
	// The fake camera has no light, and there is only one.
	p.Wait(`document.getElementById("light").hidden && document.getElementById("next").hidden`)

	// A page that isn't in front lets the camera go.
	const turnAway = `Object.defineProperty(document, "hidden", { configurable: true, get: () => %v }); document.dispatchEvent(new Event("visibilitychange")); 1`
	p.Eval(`window.track = document.getElementById("video").srcObject.getVideoTracks()[0]; 1`, nil)
	p.Eval(fmt.Sprintf(turnAway, true), nil)
	p.Wait(`window.track.readyState === "ended" && document.getElementById("video").srcObject === null && document.getElementById("stage").dataset.state === "hidden"`)
	p.Eval(fmt.Sprintf(turnAway, false), nil)
	p.Wait(`document.getElementById("stage").dataset.state === "looking"`)
	p.Click("#open")
	p.Wait(`document.getElementById("state").textContent === "The camera is off." && document.getElementById("video").srcObject === null`)
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

// A linear symbol lies as it likes: the worker turns the picture.
func TestCameraReadsTurned(t *testing.T) {
	var scenes []scene
	var want []string
	for i, tilt := range []float64{45, 70, 135} {
		number := fmt.Sprintf("TB26020%d", i)
		scenes = append(scenes, scene{[]symbolMark{{grid: code128Of(t, text(number)), module: 3, x: filmWidth / 2, y: filmHeight/2 - 20, tilt: tilt}}, 42}, scene{nil, 12})
		want = append(want, textOf("]C0", number))
	}
	p := browsertest.Launch(t, browsertest.Camera(film(t, scenes...))...).Open(t, cameraSite(t)+"/camera", browsertest.Look{})
	p.Eval(fmt.Sprintf(collect, ""), nil)
	readsOf(t, p, want...)
	var straight bool
	p.Eval(fmt.Sprintf(`window.found[%q].includes(0)`, want[0]), &straight)
	if straight {
		t.Error("the symbol at 45 degrees was read without turning; the test no longer shows what turning is for")
	}
}

// Two labels in the box: nobody but a person knows which is meant.
func TestCameraAsks(t *testing.T) {
	left := symbolMark{grid: dataMatrixOf(t, text("TB260301")), module: 5, x: 330, y: 330}
	right := symbolMark{grid: code128Of(t, text("TB260302")), module: 3, x: 860, y: 330, tilt: 2}
	site := cameraSite(t)
	p := browsertest.Launch(t, browsertest.Camera(film(t, scene{[]symbolMark{left, right}, 30}))...).Open(t, site+"/camera", browsertest.Look{})
	// The browser's cameras have no light; this one says that it has.
	p.Eval(`MediaStreamTrack.prototype.getCapabilities = () => ({ torch: true });
		MediaStreamTrack.prototype.applyConstraints = async (c) => { window.lit = JSON.stringify(c) }; 1`, nil)
	p.Click("#open")
	p.WaitFor(readLimit, `!document.getElementById("choose").hidden && document.querySelectorAll("#choices button").length === 2`)
	var said string
	var choices []string
	p.Eval(`document.getElementById("said").textContent`, &said)
	p.Eval(`[...document.querySelectorAll("#choices button")].map(e => e.textContent)`, &choices)
	if said != "Nothing was read yet." {
		t.Errorf("a label was taken without asking: %s", said)
	}
	if want := []string{"The left one: a tube TB260301", "The right one: a tube TB260302"}; !slices.Equal(choices, want) {
		t.Errorf("choices are %q, want %q", choices, want)
	}
	for _, v := range p.Axe() {
		t.Errorf("while it asks: %s", v)
	}
	p.Eval(`[...document.querySelectorAll("#choices button")].find(e => e.textContent.includes("right")).id = "right"; 1`, nil)
	p.Click("#right")
	p.Wait(`document.querySelector("#said .number")?.textContent === "TB260302" && document.getElementById("choose").hidden`)

	// Both labels are still in view, and were asked about: it doesn't ask in circles.
	p.Eval(`window.again = 0;
		new MutationObserver(() => window.again++).observe(document.getElementById("choices"), { childList: true }); 1`, nil)
	p.Wait(`!document.getElementById("light").hidden`)
	p.Click("#light")
	p.Wait(`window.lit === '{"advanced":[{"torch":true}]}' && document.getElementById("light").getAttribute("aria-pressed") === "true"`)
	var again int
	p.Eval(`window.again`, &again)
	if again > 0 {
		t.Error("it asks again about what was answered")
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

// What is in the way is said with a remedy, and typing is always offered.
func TestCameraTroubles(t *testing.T) {
	site := cameraSite(t)
	foreign := strings.Replace(site, "127.0.0.1", "tablet.example", 1)
	two := browsertest.Launch(t, "--use-fake-device-for-media-stream=device-count=2", "--host-resolver-rules=MAP tablet.example 127.0.0.1")
	for _, c := range []struct {
		name  string
		open  func(t testing.TB, url string, look browsertest.Look) *browsertest.Page
		may   bool
		site  string
		words []string
	}{
		{"denied", two.Open, false, site, []string{"was told not to let this page use the camera", "Allow the camera for this site"}},
		{"not secure", two.Open, true, foreign, []string{"came without https", "Open it under its https address"}},
		{"none", browsertest.Open, true, site, []string{"There is no camera here", "Connect one"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := c.open(t, c.site+"/camera", browsertest.Phone)
			p.AnswerCamera(c.may)
			p.Click("#open")
			p.Wait(`!document.getElementById("trouble").hidden`)
			var text, state string
			p.Eval(`document.getElementById("trouble").innerText`, &text)
			p.Eval(`document.getElementById("state").textContent`, &state)
			for _, w := range append(c.words, "type what is printed on the label") {
				if !strings.Contains(text, w) {
					t.Errorf("%q isn't said in:\n%s", w, text)
				}
			}
			if state != "The camera is off." {
				t.Errorf("state is %q", state)
			}
			p.Click("#text")
			p.Type("TB260118\n")
			p.Wait(`document.querySelector("#said .number")?.textContent === "TB260118" && document.getElementById("symbol").textContent === "none, it was typed"`)
		})
	}
	t.Run("another camera", func(t *testing.T) { switchCameras(t, two.Open(t, site+"/camera", browsertest.Phone)) })
}

// switchCameras goes from one of two cameras to the other and back.
func switchCameras(t *testing.T, p *browsertest.Page) {
	const device = `document.getElementById("video").srcObject?.getVideoTracks()[0].getSettings().deviceId`
	p.AnswerCamera(true)
	p.Click("#open")
	p.Wait(`!document.getElementById("next").hidden`)
	p.Eval(`window.first = `+device+`; 1`, nil)
	p.Click("#next")
	p.Wait(device + ` && ` + device + ` !== window.first && document.getElementById("stage").dataset.state === "looking"`)
	p.Click("#next")
	p.Wait(device + ` === window.first && document.getElementById("stage").dataset.state === "looking"`)
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the page complains: %q", errs)
	}
}

// A wristband's number is looked up and forgotten: the page says only what it is.
func TestCameraPageKeepsPeopleToItself(t *testing.T) {
	p := browsertest.Open(t, cameraSite(t)+"/camera", browsertest.Phone)
	p.Click("#text")
	p.Type("PT123456\n")
	p.Wait(`document.querySelector("#said .names")?.textContent === "This is a wristband"`)
	var text string
	p.Eval(`document.getElementById("main").textContent`, &text)
	if strings.Contains(text, "123456") || strings.Contains(text, "P50") || !strings.Contains(text, "8 characters") {
		t.Errorf("the page shows a person's number: %s", text)
	}
	var left string
	p.Eval(`document.getElementById("text").value`, &left)
	if left != "" {
		t.Errorf("what was typed still stands there: %s", left)
	}
	p.Click("#text")
	p.Type("TB26\n")
	p.Wait(`document.querySelector("#refused .alert") && document.getElementById("said").textContent === ""`)
}
