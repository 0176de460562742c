package loggerfile

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

const exportAgain = "export the file again as CSV in UTF-8"

// decode turns the bytes into text, and says by what encoding.
func (r *reader) decode() bool {
	data, say := r.data, &r.file.How.Encoding
	found := func(name, why string) {
		*say = Decision{Value: name, By: Found, Why: why}
	}
	switch {
	case len(data) == 0:
		r.refuse("file", "it is empty", "export it again")
		return false
	case bytes.HasPrefix(data, []byte{0xff, 0xfe, 0, 0}), bytes.HasPrefix(data, []byte{0, 0, 0xfe, 0xff}):
		r.refuse("file", "it is text in UTF-32, which is not read", exportAgain)
		return false
	case bytes.HasPrefix(data, []byte{0xef, 0xbb, 0xbf}):
		if data = data[3:]; !utf8.Valid(data) {
			r.refuse("file", "it begins as UTF-8 and holds bytes that are none", exportAgain)
			return false
		}
		found("UTF-8", "byte-order mark")
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}):
		found("UTF-16 LE", "byte-order mark")
		return r.wide(data[2:], binary.LittleEndian)
	case bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		found("UTF-16 BE", "byte-order mark")
		return r.wide(data[2:], binary.BigEndian)
	}
	if bytes.IndexByte(data, 0) >= 0 {
		switch even, odd := zeros(data); {
		case odd > 0 && even == 0:
			found("UTF-16 LE", "no byte-order mark; the second byte of most pairs is zero")
			return r.wide(data, binary.LittleEndian)
		case even > 0 && odd == 0:
			found("UTF-16 BE", "no byte-order mark; the first byte of most pairs is zero")
			return r.wide(data, binary.BigEndian)
		}
		r.refuse("file", "it holds zero bytes: this is no text", exportAgain)
		return false
	}
	if utf8.Valid(data) {
		r.text = string(data)
		if say.Value == "" {
			found("UTF-8", "all bytes are UTF-8; no byte-order mark")
		}
		return true
	}
	return r.western(data)
}

// zeros counts, in the first 4 KiB, the zero bytes at even and odd places. Only
// places of ASCII characters are told apart: a pair of which neither is zero is
// another character.
func zeros(data []byte) (even, odd int) {
	for i, b := range data[:min(len(data), 4096)] {
		if b != 0 {
			continue
		}
		if i%2 == 0 {
			even++
		} else {
			odd++
		}
	}
	return even, odd
}

func (r *reader) wide(data []byte, order binary.ByteOrder) bool {
	if len(data)%2 != 0 {
		r.refuse("file", "it is UTF-16 and ends within a character: it was cut off", "export or upload it again")
		return false
	}
	var b strings.Builder
	b.Grow(len(data) / 2)
	for i := 0; i < len(data); i += 2 {
		c := rune(order.Uint16(data[i:]))
		if c < utf8.RuneSelf {
			b.WriteByte(byte(c)) //nolint:gosec // below 0x80
			continue
		}
		if utf16.IsSurrogate(c) {
			pair := rune(utf8.RuneError)
			if i+3 < len(data) {
				pair = utf16.DecodeRune(c, rune(order.Uint16(data[i+2:])))
			}
			if pair == utf8.RuneError {
				r.refuse("file", fmt.Sprintf("it is UTF-16 and byte %d is half of a character", i), exportAgain)
				return false
			}
			c = pair
			i += 2
		}
		b.WriteRune(c)
	}
	if r.text = b.String(); strings.IndexByte(r.text, 0) >= 0 {
		r.refuse("file", "it holds zero characters: this is no text", exportAgain)
		return false
	}
	return true
}

// upper1252 are the characters 0x80 to 0x9F of Windows-1252, 0 where it has
// none; all others are those of Unicode. https://encoding.spec.whatwg.org/index-windows-1252.txt
// assigns control characters to the five empty places; no text holds them.
var upper1252 = [32]rune{
	'€', 0, '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', 0, 'Ž', 0,
	0, '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', 0, 'ž', 'Ÿ',
}

// western reads Windows-1252, in which many exports write the degree sign. Only
// names of columns depend on it: numbers and times are ASCII.
func (r *reader) western(data []byte) bool {
	var b strings.Builder
	b.Grow(len(data) + len(data)/8)
	first := -1
	for i, c := range data {
		switch {
		case c < 0x80:
			b.WriteByte(c)
			continue
		case c >= 0xa0:
			b.WriteRune(rune(c))
		case upper1252[c-0x80] == 0:
			r.refuse("file", fmt.Sprintf("byte %d (%02X) is neither UTF-8 nor Windows-1252", i+1, c), exportAgain)
			return false
		default:
			b.WriteRune(upper1252[c-0x80])
		}
		if first < 0 {
			first = i
		}
	}
	r.text = b.String()
	r.file.How.Encoding = Decision{Value: "Windows-1252", By: Found, Why: fmt.Sprintf(
		"line %d holds the byte %02X, which is no UTF-8", bytes.Count(data[:first], []byte("\n"))+1, data[first])}
	return true
}
