package web

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"testing"
)

// headersOf gives the headers that a path's answer must have: the camera and the
// compiler of WebAssembly are open on the page that needs them and nowhere else.
func headersOf(path string) map[string]string {
	want := map[string]string{"Content-Security-Policy": policy, "Permissions-Policy": "camera=(), microphone=(), geolocation=()"}
	switch path {
	case "/camera":
		want = map[string]string{"Content-Security-Policy": cameraPolicy, "Permissions-Policy": cameraPermissions}
	case "/bedside", "/road":
		want = map[string]string{"Content-Security-Policy": phonePolicy, "Permissions-Policy": cameraPermissions}
	}
	return want
}

// Only the page with the camera and its worker may use it, whatever else is asked for.
func TestOnlyTheCameraPageMayUseTheCamera(t *testing.T) {
	h := quiet(Stories()[1])
	for _, path := range []string{"/", "/wall", "/limits", "/docs", "/openapi.json", "/tubes?number=", "/cupboard", "/camera/", "/favicon.ico",
		Site{}.Asset("camera.js"), Site{}.Asset("vendor/zxing/reader/index.js"), Site{}.Asset("vendor/zxing/reader/zxing_reader.wasm"), "/assets/0/camera-worker.js"} {
		for name, want := range headersOf(path) {
			if got := get(t, h, path).Header().Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", path, name, got, want)
			}
		}
	}
	if strings.Contains(policy, "unsafe") || strings.Contains(policy, "worker") {
		t.Errorf("the policy of all other pages is %q", policy)
	}
	// A worker has the policy it was sent with, and the page's doesn't reach it.
	w := get(t, h, Site{}.Asset(cameraWorker))
	if w.Code != 200 || w.Header().Get("Content-Security-Policy") != cameraPolicy {
		t.Errorf("the worker is sent with %d and %q", w.Code, w.Header().Get("Content-Security-Policy"))
	}
	for _, p := range []string{policy, cameraPolicy, phonePolicy} {
		if strings.Contains(p, "'unsafe-eval'") || strings.Contains(p, "unsafe-inline") || strings.Contains(p, "http") || !strings.HasPrefix(p, "default-src 'none';") {
			t.Errorf("the policy is too wide: %q", p)
		}
	}
}

// The files of zxing-wasm 3.1.4 belong together and are as they were published.
func TestVendoredReader(t *testing.T) {
	for name, sum := range map[string]string{
		"share.js":                 "08868fb770b0a4e4b9eb3d717015cd5fbf3ceb06492d4cb2d2dd2739db11890f",
		"reader/index.js":          "d90c69a827aff3b7c8c8ca310efebe91671ef076f7a0ec83722bfc542814f484",
		"reader/zxing_reader.wasm": "e8af31edb56d0522f4de74495839385ef019ba8bc90d38e5ecb2f18795d86fb2",
	} {
		data, ok := assets.files["vendor/zxing/"+name]
		if got := fmt.Sprintf("%x", sha256.Sum256(data)); !ok || got != sum {
			t.Errorf("%s: SHA-256 is %s, want %s", name, got, sum)
		}
	}
	w := get(t, quiet(Stories()[0]), Site{}.Asset("vendor/zxing/reader/zxing_reader.wasm"))
	if w.Code != 200 || w.Header().Get("Content-Type") != "application/wasm" {
		t.Errorf("the wasm is served with %d as %q; browsers want application/wasm", w.Code, w.Header().Get("Content-Type"))
	}
	licence := string(assets.files["vendor/zxing/LICENSE.txt"])
	for _, want := range []string{"Copyright (c) 2023 Ze-Zheng Wu", "Permission is hereby granted, free of charge", "Apache License", "END OF TERMS AND CONDITIONS"} {
		if !strings.Contains(licence, want) {
			t.Errorf("the licence that goes with it lacks %q", want)
		}
	}
}
