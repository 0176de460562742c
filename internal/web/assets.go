package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"
)

//go:embed assets/*
var assetFiles embed.FS

// assets are the embedded files, and the words of the phone pages, which are made of
// the catalogue. One version covers all of them, so that a module may import its
// neighbour by a relative name, in a worker too, which knows no import map.
var assets = loadAssets(assetFiles, wordFiles)

type assetSet struct {
	version string
	files   map[string][]byte // by path below assets, with slashes
}

// assetTypes lists what is served; a file of another kind stops the start, so
// that none is ever sent with a guessed type.
var assetTypes = map[string]string{
	".css":  "text/css; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".json": "application/json",
	".svg":  "image/svg+xml",
	".txt":  "text/plain; charset=utf-8",
	".wasm": "application/wasm",
}

func loadAssets(from, words fs.FS) assetSet {
	made, err := wordAssets(words)
	if err != nil {
		panic(fmt.Sprintf("embedded assets: %v", err))
	}
	set := assetSet{files: made}
	err = fs.WalkDir(from, "assets", func(file string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		if strings.HasSuffix(file, ".d.ts") {
			return nil // for the check of our modules alone
		}
		data, err := fs.ReadFile(from, file)
		if err != nil {
			return err
		}
		name := strings.TrimPrefix(file, "assets/")
		if strings.HasSuffix(name, ".d.ts") {
			return nil // for the type checker, which wants it beside its script
		}
		if assetTypes[path.Ext(name)] == "" {
			return fmt.Errorf("%s: no content type is declared for it", name)
		}
		if path.Ext(name) == ".js" && !strings.HasPrefix(name, "vendor/") {
			data = bare(data)
		}
		set.files[name] = data
		return nil
	})
	if err != nil {
		panic(fmt.Sprintf("embedded assets: %v", err))
	}
	sum := sha256.New()
	// In the order of names, so the version is the same in every build.
	for _, name := range slices.Sorted(maps.Keys(set.files)) {
		sum.Write(fmt.Appendf(nil, "%s %d\n", name, len(set.files[name])))
		sum.Write(set.files[name])
	}
	set.version = hex.EncodeToString(sum.Sum(nil)[:8])
	return set
}

// remarks are comments that have lines of their own.
var remarks = regexp.MustCompile(`(?m)^[ \t]*(?://.*|/\*(?:[^*]|\*[^/])*\*/[ \t]*)$`)

// types are those that a line says of itself; no text of ours looks like one.
var types = regexp.MustCompile(`/\*\* @(?:type|param|returns|template)\b[^\n]*?\*/ ?`)

// bare leaves out a module's comments: they are for whoever works on it, and a phone
// would load them. Each line stays where it stands, so that what a browser complains
// of is found.
func bare(module []byte) []byte {
	module = remarks.ReplaceAllFunc(module, func(remark []byte) []byte { return bytes.Repeat([]byte("\n"), bytes.Count(remark, []byte("\n"))) })
	return types.ReplaceAll(module, nil)
}

func serveAsset(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	data, ok := assets.files[name]
	// Another version is another program's file: caching it for ever under this
	// address would outlive the roll-out.
	if !ok || r.PathValue("version") != assets.version {
		http.Error(w, "no such file in this version; load the page again", http.StatusNotFound)
		return
	}
	if name == cameraWorker {
		// A worker goes by the policy it came with, not by its page's.
		w.Header().Set("Content-Security-Policy", cameraPolicy)
	}
	w.Header().Set("Content-Type", assetTypes[path.Ext(name)])
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Header().Set("Vary", "Accept-Encoding")
	if takesGzip(r.Header.Get("Accept-Encoding")) {
		data = packed(name)
		w.Header().Set("Content-Encoding", "gzip")
	}
	// A broken connection shows in the browser, which asks again.
	_, _ = w.Write(data)
}

// takesGzip reports whether a browser that sent this Accept-Encoding unpacks gzip.
func takesGzip(accept string) bool {
	for part := range strings.SplitSeq(accept, ",") {
		coding, quality, _ := strings.Cut(strings.TrimSpace(part), ";")
		if coding == "gzip" && !strings.HasSuffix(strings.TrimRight(strings.TrimSpace(quality), ".0"), "q=") {
			return true
		}
	}
	return false
}

// packedFiles are files of assets by name, each packed when it is first asked for.
var packedFiles sync.Map

// packed gives an asset as gzip: what a phone loads over a ward's network.
func packed(name string) []byte {
	if data, ok := packedFiles.Load(name); ok {
		return data.([]byte)
	}
	var out bytes.Buffer
	zip, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err == nil {
		_, err = zip.Write(assets.files[name])
	}
	if err == nil {
		err = zip.Close()
	}
	if err != nil {
		panic(fmt.Sprintf("packing %s in memory: %v", name, err))
	}
	packedFiles.Store(name, out.Bytes())
	return out.Bytes()
}
