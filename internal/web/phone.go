package web

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"path"
	"regexp"
	"slices"
)

// phonePolicy is that of a page with the camera, which can also be installed.
const phonePolicy = cameraPolicy + "; manifest-src 'self'"

// A phone's screen is one page without data: what it shows is drawn by its module from
// the API and from what the phone keeps.
const (
	screenBedside = "bedside"
	screenRoad    = "road"
)

// phoneNames are the names under which a screen is installed.
var phoneNames = map[string]string{screenBedside: "Bedside", screenRoad: "Road"}

// phonePage is the shell of a screen. It is the same for whoever asks, so that a phone
// may keep it.
type phonePage struct{ Screen string }

// Name is what stands in the tab.
func (p phonePage) Name() string { return phoneNames[p.Screen] }

// Render writes the page as HTML.
func (p phonePage) Render(w io.Writer, site Site) error {
	err := templates.ExecuteTemplate(w, "phone.html", struct {
		Site
		phonePage
	}{site, p})
	if err != nil {
		return fmt.Errorf("rendering %s: %w", p.Screen, err)
	}
	return nil
}

func (s *server) phonePages(mux *router) {
	mux.HandleFunc("GET /bedside", s.phone(screenBedside))
	mux.HandleFunc("GET /road", s.phone(screenRoad))
	mux.HandleFunc("GET /phone-worker.js", s.phoneWorker)
	mux.HandleFunc("GET /phone.webmanifest", s.phoneManifest)
}

func (s *server) phone(screen string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		allowCamera(w)
		w.Header().Set("Content-Security-Policy", phonePolicy)
		s.send(w, r, http.StatusOK, phonePage{Screen: screen})
	}
}

// phoneShell is what the service worker keeps, all of one version.
type phoneShell struct {
	Version string   `json:"version"`
	Base    string   `json:"base"`
	Pages   []string `json:"pages"` // paths below base
	Files   []string `json:"files"` // addresses of assets
}

// workerBody is the service worker's program; the server writes the shell before it.
const workerBody = "phone/worker.js"

func (s *server) phoneWorker(w http.ResponseWriter, _ *http.Request) {
	shell := phoneShell{Version: assets.version, Base: s.site.Base, Pages: []string{"/bedside", "/road"}}
	for _, name := range shellFiles(assets) {
		shell.Files = append(shell.Files, s.site.Asset(name))
	}
	text, err := json.Marshal(shell)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Security-Policy", cameraPolicy)
	w.Header().Set("Content-Type", assetTypes[".js"])
	// A broken connection shows in the browser, which asks again.
	_, _ = fmt.Fprintf(w, "self.SHELL = %s;\n%s", text, assets.files[workerBody])
}

var (
	imported = regexp.MustCompile(`(?:\bfrom\s*|\bimport\s*\(?\s*|\bnew URL\(\s*)"(\.{0,2}/?[^"\n]+\.(?:js|wasm))"`)
	// shellRest are files that no module names.
	shellRest = []string{"base.css", "phone.css", "icon.svg", "phone/words.en.json", "phone/words.de.json", "vendor/zxing/reader/zxing_reader.wasm"}
)

// shellFiles lists what the phone's screens are made of: their modules, what those
// import, at once or later, and the rest.
func shellFiles(set assetSet) []string {
	need := slices.Clone(shellRest)
	for i, todo := 0, []string{"phone/bedside.js", "phone/road.js"}; i < len(todo); i++ {
		need = append(need, todo[i])
		for _, m := range imported.FindAllStringSubmatch(string(set.files[todo[i]]), -1) {
			name := path.Join(path.Dir(todo[i]), m[1])
			if _, ok := set.files[name]; ok && !slices.Contains(todo, name) {
				todo = append(todo, name)
			}
		}
	}
	slices.Sort(need)
	return slices.Compact(need)
}

// webManifest is a web application manifest of W3C.
type webManifest struct {
	ID              string         `json:"id"`
	Name            string         `json:"name"`
	ShortName       string         `json:"short_name"`
	StartURL        string         `json:"start_url"`
	Scope           string         `json:"scope"`
	Display         string         `json:"display"`
	Orientation     string         `json:"orientation"`
	BackgroundColor string         `json:"background_color"`
	ThemeColor      string         `json:"theme_color"`
	Icons           []manifestIcon `json:"icons"`
}

type manifestIcon struct {
	Src   string `json:"src"`
	Sizes string `json:"sizes"`
	Type  string `json:"type"`
}

// phoneManifest lets either screen be installed; "screen" says which.
func (s *server) phoneManifest(w http.ResponseWriter, r *http.Request) {
	screen := r.URL.Query().Get("screen")
	if phoneNames[screen] == "" {
		screen = screenBedside
	}
	start := s.site.Base + "/" + screen
	text, err := json.Marshal(webManifest{
		ID: start, Name: phoneNames[screen] + " · " + s.site.Title, ShortName: phoneNames[screen], StartURL: start, Scope: s.site.Base + "/",
		Display: "standalone", Orientation: "any", BackgroundColor: "#111111", ThemeColor: "#16202a",
		Icons: []manifestIcon{{Src: s.site.Asset("icon.svg"), Sizes: "any", Type: assetTypes[".svg"]}},
	})
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/manifest+json")
	// A broken connection shows in the browser, which asks again.
	_, _ = w.Write(text)
}
