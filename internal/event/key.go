package event

import (
	"encoding/base32"
	"fmt"
	"strings"
	"unicode/utf8"
)

// Kind is the kind of an aggregate; it is a token of the subject.
type Kind string

// The kinds of aggregate.
const (
	KindTube    Kind = "tube"
	KindDraw    Kind = "draw"
	KindCarrier Kind = "carrier"
	KindRequest Kind = "request"
	KindPlace   Kind = "place"
	KindRoute   Kind = "route"
	KindLogger  Kind = "logger"
	KindDevice  Kind = "device"
	KindPerson  Kind = "person"
	KindRules   Kind = "rules"
	KindPatient Kind = "patient" // by random reference
)

// Kinds lists every kind.
func Kinds() []Kind {
	return []Kind{KindTube, KindDraw, KindCarrier, KindRequest, KindPlace, KindRoute, KindLogger, KindDevice, KindPerson, KindRules, KindPatient}
}

// Key names one aggregate of a kind: "<scheme>-<canonical value>". It is safe
// as a subject token and can be computed offline from the label alone.
type Key string

// Local is the scheme of labels for which the laboratory declared no scheme.
const Local = "L"

// MaxLabel is the longest label text in bytes that becomes a key.
const MaxLabel = 64

// A value that leaves [A-Z0-9-] is written as this mark and base32; the mark
// itself is outside the plain alphabet, so no two values share a key.
const encodedMark = "_"

var keyCoding = base32.StdEncoding.WithPadding(base32.NoPadding)

// LocalKey is MakeKey with the Local scheme.
func LocalKey(text string) (Key, error) { return MakeKey(Local, text) }

// Spelled gives a name as the directory spells it: places, people and devices are
// found by their names.
func Spelled(text string) string {
	key, err := LocalKey(text)
	if err != nil {
		return text
	}
	return key.Label()
}

// MakeKey gives the key of a label's text. Letters are folded to upper case:
// a keyboard with caps lock must not make two tubes of one. It refuses empty,
// overlong and non-text values with an error that can be shown to a person.
func MakeKey(scheme, text string) (Key, error) {
	value := strings.ToUpper(strings.TrimSpace(text))
	switch {
	case value == "":
		return "", fmt.Errorf("the label is empty; scan or type it again")
	case len(value) > MaxLabel:
		return "", fmt.Errorf("the label has %d bytes and at most %d are allowed; scan it again", len(value), MaxLabel)
	case !utf8.ValidString(text):
		return "", fmt.Errorf("the label is not text; scan it again")
	}
	for _, r := range value {
		if r < 0x20 || r == 0x7f {
			return "", fmt.Errorf("the label holds the control character U+%04X; scan it again", r)
		}
	}
	if !plain(scheme) || scheme == "" || strings.Contains(scheme, "-") {
		return "", fmt.Errorf("the number scheme %q may hold only A to Z and 0 to 9", scheme)
	}
	if plain(value) {
		return Key(scheme + "-" + value), nil
	}
	return Key(scheme + "-" + encodedMark + keyCoding.EncodeToString([]byte(value))), nil
}

// Label gives back the canonical text of the label, without its scheme.
func (k Key) Label() string {
	_, value, _ := strings.Cut(string(k), "-")
	if rest, ok := strings.CutPrefix(value, encodedMark); ok {
		if text, err := keyCoding.DecodeString(rest); err == nil {
			return string(text)
		}
	}
	return value
}

// Valid reports whether k is a key that MakeKey could have made.
func (k Key) Valid() bool {
	scheme, value, ok := strings.Cut(string(k), "-")
	if !ok || scheme == "" || value == "" || !plain(scheme) {
		return false
	}
	if plain(value) {
		return len(value) <= MaxLabel
	}
	again, err := MakeKey(scheme, k.Label())
	return err == nil && again == k
}

func plain(s string) bool {
	for i := 0; i < len(s); i++ {
		c := s[i]
		if (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// Subject is the one literal subject of an aggregate in a volume of the log.
func Subject(volume string, kind Kind, key Key) string {
	return "custody." + volume + "." + string(kind) + "." + string(key)
}

// ReadingsSubject is the subject of a logger's readings in a volume of the log.
func ReadingsSubject(volume string, logger Key) string {
	return "readings." + volume + "." + string(logger)
}
