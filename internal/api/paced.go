package api

import (
	"context"
	"encoding/binary"
	"io"
	"net/http"
	"sync"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// Paced gives a gRPC call over the network the pace of its handler where one sender may
// stream without end. grpc.Server.ServeHTTP reads a request's body as fast as it comes
// and keeps what nobody has asked for yet, without a bound; so the body is read no
// further than the message that the handler waits for, and the rest stays with the
// sender (RFC 9113, 5.2).
func Paced(r *http.Request) *http.Request {
	if r.URL.Path != custodyv1.Scans_StreamReadings_FullMethodName {
		return r
	}
	b := &pacedBody{ReadCloser: r.Body, wanted: make(chan struct{}, 1), closed: make(chan struct{})}
	r = r.WithContext(context.WithValue(r.Context(), pacedKey{}, b))
	b.gone = r.Context().Done()
	r.Body = b
	return r
}

type pacedKey struct{}

// letNext lets one more message in; call it before each Recv.
func letNext(ctx context.Context) {
	if b, ok := ctx.Value(pacedKey{}).(*pacedBody); ok {
		select {
		case b.wanted <- struct{}{}:
		default: // let in before, and not come yet
		}
	}
}

// pacedBody cuts a body into messages by their prefixes: a byte for compression and
// four for the length (gRPC over HTTP/2, Length-Prefixed-Message).
type pacedBody struct {
	io.ReadCloser
	wanted chan struct{} // holds a token when a message is asked for
	gone   <-chan struct{}

	// of the reader alone
	prefix [5]byte
	got    int    // bytes of the prefix
	left   uint64 // bytes of the message behind its prefix
	let    bool   // the message under way was asked for

	once   sync.Once
	closed chan struct{}
}

// Read implements io.Reader. It never crosses into the next message.
func (b *pacedBody) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	if !b.let {
		select {
		case <-b.wanted:
			b.let = true
		case <-b.closed:
			return 0, http.ErrBodyReadAfterClose
		case <-b.gone: // the body says why
		}
	}
	most := uint64(len(b.prefix) - b.got) //nolint:gosec // 0 to 5
	if most == 0 {
		most = b.left
	}
	n, err := b.ReadCloser.Read(p[:min(uint64(len(p)), most)])
	if b.got < len(b.prefix) {
		b.got += copy(b.prefix[b.got:], p[:n])
		if b.got == len(b.prefix) {
			b.left = uint64(binary.BigEndian.Uint32(b.prefix[1:]))
		}
	} else {
		b.left -= uint64(n) //nolint:gosec // at most left was asked for
	}
	if b.got == len(b.prefix) && b.left == 0 {
		b.got, b.let = 0, false
	}
	return n, err
}

// Close implements io.Closer.
func (b *pacedBody) Close() error {
	b.once.Do(func() { close(b.closed) })
	return b.ReadCloser.Close()
}
