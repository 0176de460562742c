package label

import (
	"strings"
	"unicode"
)

// layouts are keyboards on which a reader that types for a US keyboard comes out
// wrong. Row by row from the top left, first without and then with shift, as in the
// X keyboard configuration database (symbols fr, be, de, ch, es, it, se, gb). A dot
// in a circle is a dead key: it leaves nothing that can be turned back.
var layouts = []struct{ language, plain, shifted string }{
	{"French", "²&é\"'(-è_çà)=azertyuiop◌$*qsdfghjklmùwxcvbn,;:!", "~1234567890°+AZERTYUIOP◌£µQSDFGHJKLM%WXCVBN?./§"},
	{"Belgian", "²&é\"'(§è!çà)-azertyuiop◌$µqsdfghjklmùwxcvbn,;:=", "³1234567890°_AZERTYUIOP◌*£QSDFGHJKLM%WXCVBN?./+"},
	{"German", "◌1234567890ß◌qwertzuiopü+#asdfghjklöäyxcvbnm,.-", "°!\"§$%&/()=?◌QWERTZUIOPÜ*'ASDFGHJKLÖÄYXCVBNM;:_"},
	{"Swiss", "§1234567890'◌qwertzuiopü◌$asdfghjklöäyxcvbnm,.-", "°+\"*ç%&/()=?◌QWERTZUIOPè!£ASDFGHJKLéàYXCVBNM;:_"},
	{"Spanish", "º1234567890'¡qwertyuiop◌+çasdfghjklñ◌zxcvbnm,.-", "ª!\"·$%&/()=?¿QWERTYUIOP◌*ÇASDFGHJKLÑ◌ZXCVBNM;:_"},
	{"Italian", "\\1234567890'ìqwertyuiopè+ùasdfghjklòàzxcvbnm,.-", "|!\"£$%&/()=?^QWERTYUIOPé*§ASDFGHJKLç°ZXCVBNM;:_"},
	{"Swedish", "§1234567890+◌qwertyuiopå◌'asdfghjklöäzxcvbnm,.-", "½!\"#¤%&/()=?◌QWERTYUIOPÅ◌*ASDFGHJKLÖÄZXCVBNM;:_"},
	{"British", "`1234567890-=qwertyuiop[]#asdfghjkl;'zxcvbnm,./", "¬!\"£$%^&*()_+QWERTYUIOP{}~ASDFGHJKL:@ZXCVBNM<>?"},
}

const (
	usPlain   = "`1234567890-=qwertyuiop[]\\asdfghjkl;'zxcvbnm,./"
	usShifted = "~!@#$%^&*()_+QWERTYUIOP{}|ASDFGHJKL:\"ZXCVBNM<>?"
)

// turned gives, for each layout, what a US keyboard's keys would have typed where
// text came out. Layouts on which text could not come out give nothing.
func turned(text string) []string {
	var out []string
	for _, l := range layouts {
		if back, ok := turnBack(text, l.plain, l.shifted); ok && back != text {
			out = append(out, back)
		}
	}
	return out
}

func turnBack(text, plain, shifted string) (string, bool) {
	var b strings.Builder
	for _, r := range text {
		at, us := strings.IndexRune(plain, r), usPlain
		keys := plain
		if at < 0 {
			at, us, keys = strings.IndexRune(shifted, r), usShifted, shifted
		}
		if r == '◌' || at < 0 {
			return "", false
		}
		b.WriteByte(us[len([]rune(keys[:at]))])
	}
	return b.String(), true
}

// mistyped gives a number that another keyboard turns into another number of the same
// pattern, so that nothing shows the damage. ok is false when there is none.
func (p pattern) mistyped(plain, shifted string) (sent, arrives string, ok bool) {
	var from, to strings.Builder
	for _, e := range p.elements {
		var same, changed [2]byte // a character and what becomes of it, both of the set
		for _, c := range []byte(usPlain + usShifted) {
			keys, us := plain, usPlain
			if !strings.Contains(usPlain, string(rune(c))) {
				keys, us = shifted, usShifted
			}
			out := []rune(keys)[strings.IndexByte(us, c)]
			if out >= 0x80 || !e.set.has(c) || !e.set.has(byte(out)) {
				continue
			}
			if byte(out) == c && same[0] == 0 {
				same = [2]byte{c, c}
			} else if byte(out) != c && (changed[0] == 0 || isLetter(c) && !isLetter(changed[0])) {
				changed = [2]byte{c, byte(out)}
			}
		}
		use := same
		if changed[0] != 0 && !ok || same[0] == 0 {
			use = changed
		}
		if use[0] == 0 && !e.optional {
			return "", "", false // every character of this place leaves the pattern
		}
		if use[0] == 0 {
			continue
		}
		ok = ok || use[0] != use[1]
		from.WriteByte(use[0])
		to.WriteByte(use[1])
	}
	return from.String(), to.String(), ok
}

// swapped gives text with small and capital letters exchanged, as caps lock does.
func swapped(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsUpper(r) {
			return unicode.ToLower(r)
		}
		return unicode.ToUpper(r)
	}, text)
}
