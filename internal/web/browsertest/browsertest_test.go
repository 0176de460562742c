package browsertest

import (
	"bytes"
	"errors"
	"image"
	"image/color"
	_ "image/png"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"
)

func TestMain(m *testing.M) { os.Exit(Main(m)) }

const okPage = `<!doctype html><html lang="en"><title>Hatch</title>
<style>
 body { background: rgb(255, 255, 255); color: rgb(0, 0, 0) }
 @media (prefers-color-scheme: dark) { body { background: rgb(0, 0, 0); color: rgb(255, 255, 255) } }
</style>
<main><h1>Hatch</h1><label>Label <input id="in" autofocus></label>
<button id="b" onclick="document.title='clicked'">Take</button></main>
<script>
 document.getElementById("in").addEventListener("change", e => { document.body.dataset.got = e.target.value });
 setTimeout(() => { document.body.dataset.late = "yes" }, 50);
</script></html>`

const workerPage = `<!doctype html><html lang="en"><title>Worker</title><main><h1>Worker</h1></main>
<script>new Worker("/worker.js").addEventListener("message", e => { document.title = e.data })</script></html>`

const workerScript = `fetch("/asked-by-the-worker").then(() => postMessage("answered"))`

const badPage = `<!doctype html><html lang="en"><title>Bad</title><main><h1>Bad</h1><input id="bare"></main>
<script src="/missing.js"></script>
<script>console.error("the box is lost"); throw new Error("nobody holds it")</script></html>`

func serve(t *testing.T) string {
	t.Helper()
	mux := http.NewServeMux()
	for path, page := range map[string]string{"/{$}": okPage, "/bad": badPage, "/worker": workerPage} {
		mux.HandleFunc(path, func(w http.ResponseWriter, _ *http.Request) {
			// As strict about evaluation as the product's pages: the checks must pass it.
			w.Header().Set("Content-Security-Policy", "default-src 'self' 'unsafe-inline'; img-src data:")
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			if _, err := io.WriteString(w, page); err != nil {
				t.Error(err)
			}
		})
	}
	mux.HandleFunc("/worker.js", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/javascript")
		if _, err := io.WriteString(w, workerScript); err != nil {
			t.Error(err)
		}
	})
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	return server.URL
}

func TestEvalWaitClickType(t *testing.T) {
	p := Open(t, serve(t)+"/", Look{})
	var title string
	p.Eval("document.title", &title)
	if title != "Hatch" {
		t.Errorf("title is %q", title)
	}
	var sum int
	p.Eval("Promise.resolve(20 + 22)", &sum)
	if sum != 42 {
		t.Errorf("the promise gave %d", sum)
	}
	p.Wait(`document.body.dataset.late === "yes"`)
	p.Type("TB260301\n")
	p.Wait(`document.body.dataset.got === "TB260301"`)
	p.Click("#b")
	p.Wait(`document.title === "clicked"`)
	if got := p.Errors(); len(got) > 0 {
		t.Errorf("a clean page complains: %q", got)
	}
}

func TestScreenshotHasViewportAndScheme(t *testing.T) {
	url := serve(t) + "/"
	p := Open(t, url, Phone)
	dark := Phone
	dark.Dark = true
	for _, c := range []struct {
		name string
		look Look
		size image.Point
		want color.Gray
	}{
		{"phone, light", Phone, image.Pt(720, 1480), color.Gray{Y: 255}},
		{"phone, dark", dark, image.Pt(720, 1480), color.Gray{Y: 0}},
		{"wall", Wall, image.Pt(1920, 1080), color.Gray{Y: 255}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p.Look(c.look)
			picture, _, err := image.Decode(bytes.NewReader(p.Screenshot()))
			if err != nil {
				t.Fatal(err)
			}
			if got := picture.Bounds().Size(); got != c.size {
				t.Errorf("the picture is %v, want %v", got, c.size)
			}
			corner := picture.At(c.size.X-2, c.size.Y-2)
			if got := color.GrayModel.Convert(corner); got != c.want {
				t.Errorf("the corner is %v, want %v", got, c.want)
			}
		})
	}
}

func TestAxeFindsMissingLabel(t *testing.T) {
	url := serve(t)
	if got := Open(t, url+"/", Look{}).Axe(); len(got) > 0 {
		t.Errorf("a clean page has faults: %v", got)
	}
	found := Open(t, url+"/bad", Look{}).Axe()
	i := slices.IndexFunc(found, func(v Violation) bool { return v.ID == "label" })
	if i < 0 || !slices.Contains(found[i].Targets, "#bare") {
		t.Errorf("the field without label is not found: %v", found)
	}
}

func TestErrorsAndRequests(t *testing.T) {
	url := serve(t)
	p := Open(t, url+"/bad", Look{})
	p.Wait("document.readyState === 'complete'")
	all := strings.Join(p.Errors(), "\n")
	for _, want := range []string{"the box is lost", "nobody holds it", "/missing.js"} {
		if !strings.Contains(all, want) {
			t.Errorf("no error speaks of %q:\n%s", want, all)
		}
	}
	if got := p.Requests(); !slices.Contains(got, url+"/missing.js") {
		t.Errorf("the request for the script is not listed: %q", got)
	}
	for _, asked := range p.Requests() {
		if !strings.HasPrefix(asked, url+"/") {
			t.Errorf("the page asked another host: %s", asked)
		}
	}
}

// What a worker asks for counts, or a page could reach other hosts through one.
func TestRequestsOfWorkers(t *testing.T) {
	site := serve(t)
	p := Open(t, site+"/worker", Look{})
	p.Wait(`document.title === "answered"`)
	if got := p.Requests(); !slices.Contains(got, site+"/asked-by-the-worker") {
		t.Errorf("requests are %q", got)
	}
}

func TestLaunchTakesFlags(t *testing.T) {
	p := Launch(t, "--user-agent=hatch").Open(t, serve(t)+"/", Look{})
	var agent string
	p.Eval("navigator.userAgent", &agent)
	if agent != "hatch" {
		t.Errorf("the browser says it is %q", agent)
	}
}

func TestPagesShareNothing(t *testing.T) {
	url := serve(t) + "/"
	Open(t, url, Look{}).Eval(`localStorage.setItem("who", "mira")`, nil)
	var who *string
	Open(t, url, Look{}).Eval(`localStorage.getItem("who")`, &who)
	if who != nil {
		t.Errorf("the second page reads %q of the first", *who)
	}
}

func TestNoBrowserNamesTheLine(t *testing.T) {
	_, err := find(func(string) string { return "" }, func(string) (string, error) { return "", errors.New("not found") })
	if err == nil || !strings.Contains(err.Error(), "apt-get install -y chromium") {
		t.Errorf("the error names no remedy: %v", err)
	}
	got, err := find(func(string) string { return "other" }, func(name string) (string, error) { return "/bin/" + name, nil })
	if err != nil || got != "/bin/other" {
		t.Errorf("CHROMIUM is not heard: %q, %v", got, err)
	}
}
