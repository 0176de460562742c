package app

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"golang.org/x/text/unicode/norm"
)

// A hunt looks for many secrets at once, in every form in which a program could have
// written them down by mistake.
type hunt struct {
	forms map[uint64][]writing // by the first eight bytes
	heads []uint64             // a filter before the map: one bit per hash of a head
}

type writing struct {
	text []byte
	of   string // whose
	how  string // which encoding
}

// found is one place where a secret stands in the clear.
type found struct {
	in, of, how string
	at          int
}

func newHunt() *hunt {
	return &hunt{forms: map[uint64][]writing{}, heads: make([]uint64, 1<<headBits/64)}
}

// headBits makes the filter 512 KiB: a hundred thousand forms let 2 of 100 places pass.
const headBits = 22

// shortest is the least number of bytes by which something is looked for: less is found
// by chance.
const shortest = 8

func headHash(head uint64) uint64 { return head * 0x9E3779B97F4A7C15 >> (64 - headBits) } // Fibonacci hashing, Knuth 6.4

// raw adds bytes as they are.
func (h *hunt) raw(of, how string, text []byte) {
	if len(text) < shortest {
		panic(fmt.Sprintf("%s of %s is too short to look for", how, of))
	}
	head := binary.LittleEndian.Uint64(text)
	if slices.ContainsFunc(h.forms[head], func(f writing) bool { return bytes.Equal(f.text, text) }) {
		return
	}
	h.forms[head] = append(h.forms[head], writing{text, of, how})
	h.heads[headHash(head)/64] |= 1 << (headHash(head) % 64)
}

// secret adds a text in every form.
func (h *hunt) secret(of, text string) {
	for _, t := range []string{text, strings.ToLower(text), strings.ToUpper(text), norm.NFD.String(text)} {
		h.raw(of, "plain", []byte(t))
		h.raw(of, "hex", []byte(hex.EncodeToString([]byte(t))))
		h.raw(of, "HEX", []byte(strings.ToUpper(hex.EncodeToString([]byte(t)))))
		h.raw(of, "URL", []byte(url.QueryEscape(t)))
		ascii := strconv.QuoteToASCII(t)
		h.raw(of, "JSON", []byte(ascii[1:len(ascii)-1]))
		for shift := range 3 {
			h.raw(of, "base64", sixes(base64.RawStdEncoding, t, shift))
			h.raw(of, "base64url", sixes(base64.RawURLEncoding, t, shift))
		}
		var le, be []byte
		for _, u := range utf16.Encode([]rune(t)) {
			le, be = binary.LittleEndian.AppendUint16(le, u), binary.BigEndian.AppendUint16(be, u)
		}
		h.raw(of, "UTF-16LE", le)
		h.raw(of, "UTF-16BE", be)
	}
}

// sixes are the characters of base64 that text alone decides when shift bytes stand
// before it in its group of three.
func sixes(e *base64.Encoding, text string, shift int) []byte {
	all := e.EncodeToString(append(make([]byte, shift), text...))
	return []byte(all[(8*shift+5)/6 : 8*(shift+len(text))/6])
}

// in looks through data, which is called name. It shares nothing, and the race detector
// would make it ten times as slow.
//
//go:norace
func (h *hunt) in(name string, data []byte) []found {
	var out []found
	for i := 0; i+shortest <= len(data); i++ {
		head := binary.LittleEndian.Uint64(data[i:])
		if hash := headHash(head); h.heads[hash/64]>>(hash%64)&1 == 0 {
			continue
		}
		for _, f := range h.forms[head] {
			if bytes.HasPrefix(data[i:], f.text) {
				out = append(out, found{name, f.of, f.how, i})
			}
		}
	}
	return out
}

// under looks through every file of a folder, and through the names of the files. It
// gives the number of bytes.
func (h *hunt) under(t *testing.T, dir string) (out []found, size int) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		out = append(out, h.in("the file name "+name, []byte(name))...)
		if !d.Type().IsRegular() {
			return nil
		}
		data, err := os.ReadFile(path)
		if os.IsNotExist(err) {
			return nil // a note that is being replaced
		}
		if bytes.HasPrefix(data, []byte("cmp")) { // the mark of a block that nats-server compressed
			t.Errorf("%s is compressed, so that nothing can be found in it", name)
		}
		size += len(data)
		out = append(out, h.in(name, data)...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out, size
}

// complain fails for each secret that was found, by stream or file, offset and form.
func complain(t *testing.T, when string, all []found) {
	t.Helper()
	for i, f := range all {
		if i == 20 {
			t.Errorf("%s: %d more", when, len(all)-i)
			break
		}
		t.Errorf("%s: %s holds %s at %d as %s", when, f.in, f.of, f.at, f.how)
	}
}

// What is planted here is written by encoders over a whole sentence, not by the hunt's
// own cutting: each must be found, in a file among noise.
func TestTheHuntBites(t *testing.T) {
	const number, family, given = "ZQ48213977", "Thörvalquin", "Zormyxabelle"
	h := newHunt()
	h.secret("number", number)
	h.secret("family", family)
	h.secret("given", given)
	noise := bytes.Repeat([]byte("nothing to see {\"a\":1}\x00\xff"), 50)
	sixteen := func(order binary.AppendByteOrder) func(string) string {
		return func(s string) string {
			var out []byte
			for _, u := range utf16.Encode([]rune(s)) {
				out = order.AppendUint16(out, u)
			}
			return string(out)
		}
	}
	encodings := map[string]func(string) string{
		"plain": func(s string) string { return s }, "upper": strings.ToUpper, "lower": strings.ToLower,
		"decomposed": norm.NFD.String, "hex": func(s string) string { return hex.EncodeToString([]byte(s)) },
		"HEX":    func(s string) string { return strings.ToUpper(hex.EncodeToString([]byte(s))) },
		"base64": func(s string) string { return base64.StdEncoding.EncodeToString([]byte(s)) },
		"url64":  func(s string) string { return base64.URLEncoding.EncodeToString([]byte(s)) },
		"LE":     sixteen(binary.LittleEndian), "BE": sixteen(binary.BigEndian), "query": url.QueryEscape, "path": url.PathEscape,
		"JSON": func(s string) string {
			out, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			return string(out)
		},
		"ASCII JSON": strconv.QuoteToASCII,
	}
	dir := t.TempDir()
	if got, _ := h.under(t, dir); len(got) != 0 {
		t.Fatalf("in an empty folder: %+v", got)
	}
	for name, encode := range encodings {
		for shift := range 4 { // every place in a group of three, and odd and even offsets
			for whose, secret := range map[string]string{"number": number, "family": family, "given": given} {
				scratch := filepath.Join(dir, "scratch")
				sentence := encode(strings.Repeat("~", shift) + secret + " ?")
				if err := os.WriteFile(scratch, slices.Concat(noise[:len(noise)-shift], []byte(sentence), noise), 0o600); err != nil {
					t.Fatal(err)
				}
				got, _ := h.under(t, dir)
				// Text of two bytes a character among zeros is also text of the other order.
				if len(got) == 0 || slices.ContainsFunc(got, func(f found) bool { return f.in != "scratch" || f.of != whose || f.at < len(noise)-shift }) {
					t.Errorf("%q as %s behind %d bytes: %+v", secret, name, shift, got)
				}
			}
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "scratch"), noise, 0o600); err != nil {
		t.Fatal(err)
	}
	if got, _ := h.under(t, dir); len(got) != 0 {
		t.Errorf("found in noise: %+v", got)
	}
	if err := os.WriteFile(filepath.Join(dir, strings.ToLower(family)), noise, 0o600); err != nil {
		t.Fatal(err)
	}
	if got, _ := h.under(t, dir); len(got) != 1 {
		t.Errorf("in a file's name: %+v", got)
	}
}
