package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
	"strings"
	"time"
)

const (
	// heartbeat is how often the stream says that it lives; the browser calls the
	// page "not live" when two are missed.
	heartbeat = 10 * time.Second
	// settle is how long the stream waits after a change, so that a burst of scans
	// is one drawing.
	settle = 25 * time.Millisecond
	// writeLimit frees a stream whose reader has gone without a word.
	writeLimit = 15 * time.Second
)

// board is what a page that follows the log shows now. The zero value is an empty
// one at the beginning of time.
type board struct {
	Seq     uint64 // log sequence it rests on
	NowMs   int64  // instant it was judged at
	ZoneMs  int64  // offset of the place's zone from UTC
	Offset  string // the same in words
	NotLive string // why the page itself is behind, in words; empty when it is not
	Head    template.HTML
	// Lists are rows by the id of the element that holds them. A page always has the
	// same ones.
	Lists map[string][]boardRow
}

// boardRow is a rendered line. Its element carries the id, which must not depend on
// what the line says.
type boardRow struct {
	ID   string
	HTML template.HTML
}

// addRow renders a line by the template of that name.
func addRow(rows []boardRow, name, id string, data any) ([]boardRow, error) {
	html, err := part(name, data)
	return append(rows, boardRow{ID: id, HTML: html}), err
}

// part renders a named template.
func part(name string, data any) (template.HTML, error) {
	var buf bytes.Buffer
	if err := templates.ExecuteTemplate(&buf, name, data); err != nil {
		return "", fmt.Errorf("rendering %s: %w", name, err)
	}
	// The template has escaped its data already.
	return template.HTML(strings.TrimSpace(buf.String())), nil
}

// boardEvent is the data of a "board" event: what differs from what this
// connection was sent before. assets/board.js applies it.
type boardEvent struct {
	Seq   uint64              `json:"seq,string"`
	Now   int64               `json:"now"`
	Zone  int64               `json:"zone"` // offset from UTC in ms
	Off   string              `json:"offset"`
	Stale string              `json:"notLive"`
	Build string              `json:"build"`
	Head  *string             `json:"head,omitempty"`
	Lists map[string]listEdit `json:"lists,omitempty"`
	Full  bool                `json:"full,omitempty"` // lists hold everything; marks start anew
}

type listEdit struct {
	Order []string          `json:"order"`          // all ids, in order
	Rows  map[string]string `json:"rows,omitempty"` // those whose markup changed
}

// sent is what a connection has already.
type sent struct {
	head  template.HTML
	lists map[string][]boardRow
}

// edit gives what turns s into b, and remembers it.
func (s *sent) edit(b board) boardEvent {
	e := boardEvent{
		Seq: b.Seq, Now: b.NowMs, Zone: b.ZoneMs, Off: b.Offset, Stale: b.NotLive,
		Build: assets.version, Lists: map[string]listEdit{}, Full: s.lists == nil,
	}
	if s.lists == nil || s.head != b.Head {
		head := string(b.Head)
		e.Head = &head
	}
	for name, rows := range b.Lists {
		if edit, changed := editList(s.lists[name], rows); changed || e.Full {
			e.Lists[name] = edit
		}
	}
	s.head, s.lists = b.Head, b.Lists
	return e
}

func editList(before, after []boardRow) (listEdit, bool) {
	had := make(map[string]template.HTML, len(before))
	for _, r := range before {
		had[r.ID] = r.HTML
	}
	edit := listEdit{Order: make([]string, len(after)), Rows: map[string]string{}}
	changed := len(before) != len(after)
	for i, r := range after {
		edit.Order[i] = r.ID
		if !changed && before[i].ID != r.ID {
			changed = true
		}
		if html, ok := had[r.ID]; !ok || html != r.HTML {
			edit.Rows[r.ID] = string(r.HTML)
		}
	}
	return edit, changed || len(edit.Rows) > 0
}

// stream sends what changes on a board as server-sent events. The id of an event is
// the log sequence it rests on; name stands in the log when something fails.
func (s *server) stream(w http.ResponseWriter, r *http.Request, name string, read func(context.Context) (board, error)) {
	ctx := r.Context()
	since, err := streamStart(r)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	// Watching begins before the first board is read, so nothing falls between.
	changes, err := s.src.Watch(ctx, since)
	if err != nil {
		s.log.ErrorContext(ctx, "page not followed", "page", name, "error", err)
		http.Error(w, "the page can't be followed just now; the browser asks again", http.StatusServiceUnavailable)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy that gathers bytes would make the page stale
	out := &eventWriter{w: w, control: http.NewResponseController(w)}
	out.raw("retry: 2000\n\n")

	beat := time.NewTicker(s.beat)
	defer beat.Stop()
	quiet := time.NewTimer(0)
	defer quiet.Stop()
	var has sent
	pending := true // a board is on its way; more changes don't delay it
	for out.err == nil {
		select {
		case <-ctx.Done():
			return
		case c, ok := <-changes:
			if !ok {
				return
			}
			if c.Reset {
				has = sent{}
				out.event("reset", "", struct{}{})
			}
			if !pending {
				pending = true
				quiet.Reset(settle)
			}
			continue
		case <-beat.C:
		case <-quiet.C:
			pending = false
		}
		// A board goes out on each beat too: minutes pass without any fact.
		b, err := read(ctx)
		if err != nil {
			s.log.ErrorContext(ctx, "page not read", "page", name, "error", err)
			return // silence makes the browser say "not live"
		}
		out.event("board", strconv.FormatUint(b.Seq, 10), has.edit(b))
	}
}

// streamStart reads where the page or the last event stood. What the browser
// remembers wins: it is newer than the address.
func streamStart(r *http.Request) (uint64, error) {
	text := r.Header.Get("Last-Event-ID")
	if text == "" {
		text = r.URL.Query().Get("since")
	}
	if text == "" {
		return 0, nil
	}
	since, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("since is %q; it must be a log sequence, a whole number", text)
	}
	return since, nil
}

// eventWriter writes events and keeps the first error.
type eventWriter struct {
	w       http.ResponseWriter
	control *http.ResponseController
	err     error
}

func (o *eventWriter) event(name, id string, data any) {
	text, err := json.Marshal(data)
	if err != nil {
		o.err = err
		return
	}
	if id != "" {
		id = "id: " + id + "\n"
	}
	o.raw(id + "event: " + name + "\ndata: " + string(text) + "\n\n")
}

func (o *eventWriter) raw(text string) {
	if o.err != nil {
		return
	}
	// Not every writer has a deadline; then the connection's own limits hold.
	_ = o.control.SetWriteDeadline(time.Now().Add(writeLimit))
	if _, o.err = o.w.Write([]byte(text)); o.err == nil {
		o.err = o.control.Flush()
	}
}

func shortHash(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:6])
}
