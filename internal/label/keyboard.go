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

// swapped gives text with small and capital letters exchanged, as caps lock does.
func swapped(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsUpper(r) {
			return unicode.ToLower(r)
		}
		return unicode.ToUpper(r)
	}, text)
}
