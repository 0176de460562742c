package web

import (
	"encoding/json"
	"io"
	"net/http"
	"slices"

	"specimen.example/custody/internal/label"
)

// cameraWorker is the module that decodes the camera's pictures.
const cameraWorker = "camera-worker.js"

// A page with the camera, and its worker, may also compile the WebAssembly that
// this server embeds; still nothing comes from another host, and text is never run
// as script.
const (
	cameraPolicy = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; worker-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
	cameraPermissions = "camera=(self), microphone=(), geolocation=()"
)

// allowCamera lets the page that is answered use the camera. Only pages that read
// labels call it.
func allowCamera(w http.ResponseWriter) {
	w.Header().Set("Content-Security-Policy", cameraPolicy)
	w.Header().Set("Permissions-Policy", cameraPermissions)
}

// cameraPage lets people try the camera on their labels. It records nothing.
type cameraPage struct {
	Checked string // JSON list of the patterns of plain numbers that have a check character
}

// checkedPatterns gives the patterns of plain numbers whose last character guards the
// others: of those one look at a Code 128 is enough.
func checkedPatterns(s *label.Schemes) string {
	list := []string{}
	for _, one := range s.All() {
		if one.Check != label.NoCheck && (len(one.In) == 0 || slices.Contains(one.In, label.Plain)) {
			list = append(list, one.Pattern)
		}
	}
	text, err := json.Marshal(list)
	if err != nil {
		return "[]" // texts always have a form; without the list every look is proved by a second
	}
	return string(text)
}

// Render writes the page as HTML.
func (p cameraPage) Render(w io.Writer, site Site) error {
	return frame{Site: site, Name: "Try the camera", Kind: "camera", Script: "camera-page.js", Page: p}.render(w)
}

func (s *server) camera(w http.ResponseWriter, r *http.Request) {
	allowCamera(w)
	s.send(w, r, http.StatusOK, cameraPage{Checked: checkedPatterns(s.src.Schemes())})
}
