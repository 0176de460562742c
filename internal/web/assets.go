package web

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
)

//go:embed assets/*
var assetFiles embed.FS

// assets are the embedded files. One version covers all of them, so that a
// module may import its neighbour by a relative name.
var assets = loadAssets(assetFiles)

type assetSet struct {
	version string
	files   map[string][]byte
}

// assetTypes lists what is served; a file of another kind stops the start, so
// that none is ever sent with a guessed type.
var assetTypes = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

func loadAssets(from fs.FS) assetSet {
	set := assetSet{files: map[string][]byte{}}
	sum := sha256.New()
	entries, err := fs.ReadDir(from, "assets")
	if err != nil {
		panic(fmt.Sprintf("embedded assets: %v", err))
	}
	for _, e := range entries {
		data, err := fs.ReadFile(from, "assets/"+e.Name())
		if err != nil {
			panic(fmt.Sprintf("embedded asset %s: %v", e.Name(), err))
		}
		if assetTypes[path.Ext(e.Name())] == "" {
			panic(fmt.Sprintf("embedded asset %s: no content type is declared for it", e.Name()))
		}
		set.files[e.Name()] = data
		sum.Write(fmt.Appendf(nil, "%s %d\n", e.Name(), len(data)))
		sum.Write(data)
	}
	set.version = hex.EncodeToString(sum.Sum(nil)[:8])
	return set
}

func serveAsset(w http.ResponseWriter, r *http.Request) {
	data, ok := assets.files[r.PathValue("name")]
	// Another version is another program's file: caching it for ever under this
	// address would outlive the roll-out.
	if !ok || r.PathValue("version") != assets.version {
		http.Error(w, "no such file in this version; load the page again", http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", assetTypes[path.Ext(r.PathValue("name"))])
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	// A broken connection shows in the browser, which asks again.
	_, _ = w.Write(data)
}
