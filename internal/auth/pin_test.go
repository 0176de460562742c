package auth

import (
	"crypto/rand"
	"encoding/hex"
	"testing"
)

// The hash is that of the argon2 reference program's own tests (phc-winner-argon2,
// src/test.c: argon2id, version 0x13, 2 passes, 64 MiB, one lane, 09316115…3cf7), written
// from memory; a wrong memory would not have met the library's answer.
func TestAStoredPINOfTheReferenceProgram(t *testing.T) {
	for _, kept := range []string{
		"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
	} {
		if same, err := samePIN(kept, []byte("password")); err != nil || !same {
			t.Errorf("%s: %t, %v", kept, same, err)
		}
		if same, err := samePIN(kept, []byte("passwore")); err != nil || same {
			t.Errorf("%s fits another: %t, %v", kept, same, err)
		}
	}
}

func TestAPINIsKeptAndFound(t *testing.T) {
	small := Cost{Passes: 1, Kibibytes: 64, Lanes: 1} // quick; the cost is in the text
	a, err := hashPIN([]byte("one"), small, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	b, err := hashPIN([]byte("one"), small, rand.Reader)
	if err != nil || a == b {
		t.Errorf("two people with one PIN have one hash: %q, %v", b, err)
	}
	if same, err := samePIN(a, []byte("one")); err != nil || !same {
		t.Errorf("%t, %v", same, err)
	}
	if same, _ := samePIN(a, []byte("two")); same {
		t.Error("another PIN fits")
	}
}

func FuzzStoredPIN(f *testing.F) {
	f.Add("$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHApl8ArZWb2GRPPc")
	f.Add("$argon2i$v=19$m=64,t=1,p=1$$")
	f.Add("$argon2id$v=19$m=4294967295,t=9,p=1$c29tZXNhbHQ$CTFh")
	// The one byte of this hash is that of the PIN below.
	f.Add("$argon2id$v=19$m=64,t=4,p=1$29tlXNhbHX$CX")
	f.Fuzz(func(t *testing.T, kept string) {
		if len(kept) > 300 {
			return
		}
		// What can't be read is an error, and a damaged record lets nobody in.
		if same, err := samePIN(kept, []byte("a PIN that nobody has")); same && err == nil {
			t.Errorf("%q lets anybody in", kept)
		}
	})
}

func TestWhatPINsAreTaken(t *testing.T) {
	for pin, ok := range map[string]bool{
		"730581": true, "112358": true, "73058": false, "1234567890123": false, "73o581": false, "": false, "111111": false,
		"123456": false, "654321": false, "７３０５８１": false, "730581 ": false,
	} {
		if say := CheckPIN(pin); (say == "") != ok {
			t.Errorf("%q: %q", pin, say)
		}
	}
}

// RFC 6979, A.2.5: ECDSA on P-256, SHA-256, message "sample"; the signature as browsers
// write it, r and s of 32 bytes.
func TestASignatureOfRFC6979(t *testing.T) {
	unhex := func(s string) []byte {
		b, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	spki := append(unhex("3059301306072a8648ce3d020106082a8648ce3d03010703420004"),
		unhex("60FED4BA255A9D31C961EB74C6356D68C049B8923B61FA6CE669622E60F29FB67903FE1008B8BC99A41AE9E95628BC64F2F1B20C2D7E9F5177A3C294D4462299")...)
	key, err := PublicKey(spki)
	if err != nil {
		t.Fatal(err)
	}
	sig := unhex("EFD48B2AACB6A8FD1140DD9CD45E81D69D2C877B56AAF991C34D0EA84EAF3716F7CB1C942D657C41D436C7A1B6E29F65F3E900DBB9AFF4064DC4AB2F843ACDA8")
	if !verify(key, []byte("sample"), sig) {
		t.Error("the signature of the RFC is not taken")
	}
	for i := range sig {
		bad := append([]byte{}, sig...)
		bad[i] ^= 1
		if verify(key, []byte("sample"), bad) {
			t.Fatalf("a signature with byte %d changed is taken", i)
		}
	}
	if verify(key, []byte("sampl"), sig) || verify(key, []byte("sample"), sig[:63]) || verify(key, []byte("sample"), append(sig, 0)) || verify(key, []byte("sample"), make([]byte, 64)) {
		t.Error("another message or length is taken")
	}
	for _, bad := range [][]byte{nil, spki[:50], append(append([]byte{}, spki...), 0), unhex("302a300506032b6570032100d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")} {
		if _, err := PublicKey(bad); err == nil {
			t.Errorf("taken as a key: %x", bad)
		}
	}
}
