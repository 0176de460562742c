package api

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net/http"
	"testing"
	"testing/iotest"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// framed is messages as gRPC sends them: a byte for compression, four for the length.
func framed(messages ...[]byte) []byte {
	var out []byte
	for _, m := range messages {
		out = append(out, 0)
		out = binary.BigEndian.AppendUint32(out, uint32(len(m))) //nolint:gosec // short
		out = append(out, m...)
	}
	return out
}

// counted says how many bytes were taken of a body.
type counted struct {
	io.Reader
	taken  int
	closed bool
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.taken += n
	return n, err
}

func (c *counted) Close() error { c.closed = true; return nil }

// No byte behind the message that was asked for is taken from the sender, however the
// body is cut into pieces.
func TestABodyIsReadNoFurtherThanIsAsked(t *testing.T) {
	messages := [][]byte{[]byte("one"), nil, bytes.Repeat([]byte("three"), 50_000), []byte("four")}
	whole := framed(messages...)
	for name, pieces := range map[string]func(io.Reader) io.Reader{
		"whole": func(r io.Reader) io.Reader { return r }, "halves": iotest.HalfReader, "bytes": iotest.OneByteReader,
		"with its end": iotest.DataErrReader,
	} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			from := &counted{Reader: pieces(bytes.NewReader(whole))}
			req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://x"+custodyv1.Scans_StreamReadings_FullMethodName, nil)
			if err != nil {
				t.Fatal(err)
			}
			req.Body = from
			paced := Paced(req)
			var got []byte
			end := 0
			for i, m := range messages {
				letNext(paced.Context())
				for end += 5 + len(m); len(got) < end; {
					buf := make([]byte, 16<<10)
					n, err := paced.Body.Read(buf)
					got = append(got, buf[:n]...)
					if err != nil && (!errors.Is(err, io.EOF) || len(got) != len(whole)) {
						t.Fatalf("message %d: %v", i, err)
					}
					if from.taken > end {
						t.Fatalf("%d bytes were taken and the message that was asked for ends at %d", from.taken, end)
					}
				}
			}
			if !bytes.Equal(got, whole) {
				t.Fatal("what was read is not what was sent")
			}
			letNext(paced.Context())
			if n, err := paced.Body.Read(make([]byte, 10)); n != 0 || !errors.Is(err, io.EOF) {
				t.Errorf("behind the last: %d, %v", n, err)
			}
		})
	}
}

// Whoever closes the body, or goes, ends a read that waits to be asked for.
func TestABodyThatNobodyAsksForEnds(t *testing.T) {
	for _, closes := range []bool{true, false} {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://x"+custodyv1.Scans_StreamReadings_FullMethodName, nil)
		if err != nil {
			t.Fatal(err)
		}
		from := &counted{Reader: iotest.ErrReader(errors.New("the sender is gone"))}
		req.Body = from
		paced := Paced(req)
		ended := make(chan error, 1)
		go func() {
			_, err := paced.Body.Read(make([]byte, 10))
			ended <- err
		}()
		if closes {
			if err := paced.Body.Close(); err != nil || !from.closed {
				t.Errorf("closed: %v, %v", from.closed, err)
			}
		} else {
			cancel()
		}
		if err := <-ended; err == nil {
			t.Error("the read ended without a word")
		}
	}
	other, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://x"+custodyv1.Scans_RecordScans_FullMethodName, nil)
	if err != nil {
		t.Fatal(err)
	}
	if Paced(other) != other {
		t.Error("a call with one message is paced too")
	}
}
