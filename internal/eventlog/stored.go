package eventlog

import (
	"bufio"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Message is one message of a stream as it is stored.
type Message struct {
	Seq     uint64
	Stored  int64 // ns since 1970 UTC by the broker's clock; nothing in the product reads it
	Subject string
	Header  map[string][]string
	Data    []byte
}

// maxRecord is more than the largest message the broker takes (8 MB) can become; a
// longer record is damage, not a message.
const maxRecord = 16 << 20

// Append writes m behind b: its length as four bytes, then sequence, time of
// storing, subject, header and data, each text and blob behind its own length.
// Numbers are big-endian; header names are sorted, so that one message has one form.
func (m *Message) Append(b []byte) []byte {
	at := len(b)
	b = append(b, 0, 0, 0, 0)
	b = binary.BigEndian.AppendUint64(b, m.Seq)
	b = binary.BigEndian.AppendUint64(b, uint64(m.Stored)) //nolint:gosec // read back by the inverse conversion
	b = m.appendContent(b, func(string) bool { return true })
	binary.BigEndian.PutUint32(b[at:], uint32(len(b)-at-4)) //nolint:gosec // far below 2^32: the broker takes 8 MB
	return b
}

func (m *Message) appendContent(b []byte, keep func(name string) bool) []byte {
	b = appendBlob(b, m.Subject)
	names := make([]string, 0, len(m.Header))
	for name := range m.Header {
		if keep(name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	b = binary.BigEndian.AppendUint32(b, uint32(len(names))) //nolint:gosec // a handful
	for _, name := range names {
		b = appendBlob(b, name)
		b = binary.BigEndian.AppendUint32(b, uint32(len(m.Header[name]))) //nolint:gosec // a handful
		for _, value := range m.Header[name] {
			b = appendBlob(b, value)
		}
	}
	return appendBlob(b, m.Data)
}

func appendBlob[T string | []byte](b []byte, blob T) []byte {
	b = binary.BigEndian.AppendUint32(b, uint32(len(blob))) //nolint:gosec // the broker takes 8 MB
	return append(b, blob...)
}

// content is what must be the same after a restore: sequence, subject, data, and
// the header without what only told the broker how to take the message.
func (m *Message) content() []byte {
	return m.appendContent(binary.BigEndian.AppendUint64(nil, m.Seq), func(name string) bool { return !onlyForTheBroker(name) })
}

// onlyForTheBroker reports whether a header was an order at the time of publishing:
// which batch a message came in, what had to be the last sequence.
func onlyForTheBroker(name string) bool {
	return strings.HasPrefix(name, "Nats-Batch-") || strings.HasPrefix(name, "Nats-Expected-") || name == "Nats-Msg-Id"
}

// ReadMessage reads what Append wrote. It gives io.EOF at the end and
// io.ErrUnexpectedEOF inside a record.
func ReadMessage(r *bufio.Reader) (*Message, error) {
	var length [4]byte
	if _, err := io.ReadFull(r, length[:]); err != nil {
		return nil, err // io.EOF only when nothing was read
	}
	n := binary.BigEndian.Uint32(length[:])
	if n > maxRecord {
		return nil, fmt.Errorf("eventlog: a record of %d bytes; a message has at most %d", n, maxRecord)
	}
	body := make([]byte, n)
	if _, err := io.ReadFull(r, body); err != nil {
		return nil, io.ErrUnexpectedEOF
	}
	return parseMessage(body)
}

var errRecord = errors.New("eventlog: a record's lengths don't add up")

func parseMessage(b []byte) (*Message, error) {
	p := parser{b: b}
	m := &Message{Seq: p.uint64(), Stored: int64(p.uint64()), Subject: string(p.blob())} //nolint:gosec // inverse of Append
	if n := p.uint32(); n > 0 {
		m.Header = map[string][]string{}
		for ; n > 0 && !p.bad; n-- {
			name := string(p.blob())
			for values := p.uint32(); values > 0 && !p.bad; values-- {
				m.Header[name] = append(m.Header[name], string(p.blob()))
			}
		}
	}
	m.Data = p.blob()
	if p.bad || len(p.b) != 0 {
		return nil, errRecord
	}
	return m, nil
}

// parser cuts a record; after the first wrong length it is bad and gives zeroes.
type parser struct {
	b   []byte
	bad bool
}

func (p *parser) cut(n uint64) []byte {
	if p.bad || n > uint64(len(p.b)) {
		p.bad = true
		return nil
	}
	cut := p.b[:n:n]
	p.b = p.b[n:]
	return cut
}

func (p *parser) uint32() uint32 {
	b := p.cut(4)
	if b == nil {
		return 0
	}
	return binary.BigEndian.Uint32(b)
}

func (p *parser) uint64() uint64 {
	b := p.cut(8)
	if b == nil {
		return 0
	}
	return binary.BigEndian.Uint64(b)
}

func (p *parser) blob() []byte { return p.cut(uint64(p.uint32())) }

func hashOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}
