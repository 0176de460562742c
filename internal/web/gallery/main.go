// Command gallery serves every named state of every page on a free port of this
// machine, for people who work on the pages. It is part of no product.
package main

import (
	"errors"
	"fmt"
	"html/template"
	"io"
	"net"
	"net/http"
	"os"
	"time"

	"specimen.example/custody/internal/web"
)

var list = template.Must(template.New("").Parse(`<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width"><meta name="color-scheme" content="light dark">
<title>Named states</title><h1>Named states</h1>
<ul>{{range .}}<li><a href="/{{.Name}}{{.Path}}">{{.Name}}</a>: {{.About}}</li>
{{end}}</ul></html>
`))

func main() {
	if err := serve(os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "gallery:", err)
		os.Exit(1)
	}
}

func serve(out io.Writer) error {
	mux := http.NewServeMux()
	stories := web.Stories()
	for _, s := range stories {
		base := "/" + s.Name
		mux.Handle(base+"/", http.StripPrefix(base, s.Handler(base)))
	}
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		if err := list.Execute(w, stories); err != nil {
			fmt.Fprintln(os.Stderr, "gallery: list not delivered:", err)
		}
	})
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return fmt.Errorf("finding a free port: %w", err)
	}
	if _, err := fmt.Fprintf(out, "look at http://%s/ (Ctrl-C ends it)\n", listener.Addr()); err != nil {
		return fmt.Errorf("saying the address: %w", err)
	}
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serving: %w", err)
	}
	return nil
}
