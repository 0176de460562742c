package label

import (
	"fmt"
	"strconv"
	"strings"
)

// ai is one GS1 application identifier: what may stand behind it and beside it.
type ai struct {
	code  string
	fixed bool // of predefined length: no separator is needed behind it
	parts []part
	// needs: of each list one must be present; bars: none may be. An entry may end in
	// n for any digit.
	needs [][]string
	bars  []string
	// qualifiers are the sequences that may follow it in the path of a Digital Link;
	// nil when it is no primary key.
	qualifiers [][]string
	key        bool
}

// part is one piece of an element's value.
type part struct {
	charset  byte // n digits, x set 82, y set 39, z base64 for URIs
	min, max int
	optional bool
	rule     byte // as in identifiers, 0 for none
}

// identifiers are the application identifiers of the GS1 General Specifications as
// the GS1 Syntax Dictionary has them (Apache-2.0; our own notation). A line is:
// code or range, * when of predefined length, the parts of its value, +what it
// needs, !what it excludes, @ a primary key of Digital Link with its qualifiers.
// A part: charset, length or ..most, ? in front when it may be missing, and a rule:
// c GS1 check digit, d date whose day may be 00, D date, t hour and minute,
// h a hyphen, b 0 or 1, o a zero, p piece of total. Country, currency, bank, coupon
// and company prefix contents are not looked into: nothing here depends on them.
const identifiers = `
00 * n18c @
01 * n14c !02,255,37 @22,10,21|235
02 * n14c +37
10 x..20 +01,02,8006,8026
11 * n6d +01,02,8006,8026
12 * n6d +8020
13 * n6d +01,02,8006,8026
15-16 * n6d +01,02,8006,8026
17 * n6d +01,02,255,8006,8026
20 * n2 +01,02,8006,8026
21 x..20 +01,8006 !235
22 x..20 +01
235 x..28 +01
240-241 x..30 +01,02,8006,8026
242 n..6 +01,02,8006,8026
243 x..20 +01
250 x..30 +01,8006 +21
251 x..30 +01,8006
253 n13c ?x..17 @
254 x..20 +414
255 n13c ?n..12 !01,02,415,8006,8020,8026 @
30 n..8 +01,02
3100-3105 * n6 +01,02 !310n
3110-3115 * n6 +01,02 !311n
3120-3125 * n6 +01,02 !312n
3130-3135 * n6 +01,02 !313n
3140-3145 * n6 +01,02 !314n
3150-3155 * n6 +01,02 !315n
3160-3165 * n6 +01,02 !316n
3200-3205 * n6 +01,02 !320n
3210-3215 * n6 +01,02 !321n
3220-3225 * n6 +01,02 !322n
3230-3235 * n6 +01,02 !323n
3240-3245 * n6 +01,02 !324n
3250-3255 * n6 +01,02 !325n
3260-3265 * n6 +01,02 !326n
3270-3275 * n6 +01,02 !327n
3280-3285 * n6 +01,02 !328n
3290-3295 * n6 +01,02 !329n
3300-3305 * n6 +00,01 !330n
3310-3315 * n6 +00,01 !331n
3320-3325 * n6 +00,01 !332n
3330-3335 * n6 +00,01 !333n
3340-3345 * n6 +00,01 !334n
3350-3355 * n6 +00,01 !335n
3360-3365 * n6 +00,01 !336n
3370-3375 * n6 +01 !337n
3400-3405 * n6 +00,01 !340n
3410-3415 * n6 +00,01 !341n
3420-3425 * n6 +00,01 !342n
3430-3435 * n6 +00,01 !343n
3440-3445 * n6 +00,01 !344n
3450-3455 * n6 +00,01 !345n
3460-3465 * n6 +00,01 !346n
3470-3475 * n6 +00,01 !347n
3480-3485 * n6 +00,01 !348n
3490-3495 * n6 +00,01 !349n
3500-3505 * n6 +01,02 !350n
3510-3515 * n6 +01,02 !351n
3520-3525 * n6 +01,02 !352n
3530-3535 * n6 +00,01 !353n
3540-3545 * n6 +00,01 !354n
3550-3555 * n6 +00,01 !355n
3560-3565 * n6 +01,02 !356n
3570-3575 * n6 +01,02 !357n
3600-3605 * n6 +01,02 !360n
3610-3615 * n6 +01,02 !361n
3620-3625 * n6 +00,01 !362n
3630-3635 * n6 +00,01 !363n
3640-3645 * n6 +01,02 !364n
3650-3655 * n6 +01,02 !365n
3660-3665 * n6 +01,02 !366n
3670-3675 * n6 +00,01 !367n
3680-3685 * n6 +00,01 !368n
3690-3695 * n6 +00,01 !369n
37 n..8 +00 +02,8026
3900-3909 n..15 +255,8020 !390n,391n,394n,8111
3910-3919 n3 n..15 +8020 !391n
3920-3929 n..15 +01 +30,31nn,32nn,35nn,36nn !392n,393n
3930-3939 n3 n..15 +30,31nn,32nn,35nn,36nn !393n
3940-3943 n4 +255 !394n,8111
3950-3955 n6 +30,31nn,32nn,35nn,36nn !392n,393n,395n,8005
400 x..30
401 x..30 @
402 n17c @
403 x..30 +00
410-413 * n13c
414 * n13c @254|7040
415 * n13c +8020 @8020
416 * n13c
417 * n13c @7040
420 x..20 !421
421 n3 x..9 !4307
422 n3 +01,02,8006,8026 !426
423 n..15 +01,02 !426
424 n3 +01,02 !426
425 n..15 +01,02 !426
426 n3 +01,02
427 x..3 +01,02 +422
4300-4301 x..35 +00
4302 x..70 +00
4303 x..70 +4302
4304-4306 x..70 +00
4307 x2 +00
4308 x..30 +00
4309 n20 +00
4310-4311 x..35 +00
4312 x..70 +00
4313 x..70 +4312
4314-4316 x..70 +00
4317 x2 +00
4318 x..20 +00
4319 x..30 +00
4320 x..35 +00
4321-4323 n1b +00
4324-4325 n6d n4t +00
4326 n6D +00
4330 n6 ?x1h +00 !4331
4331 n6 ?x1h +00 !4330
4332 n6 ?x1h +00 !4333
4333 n6 ?x1h +00 !4332
7001 n13 +01,02,8006,8026
7002 x..30 +01,02
7003 n6D n4t +01,02
7004 n..4 +01 +10
7005 x..12 +01,02
7006 n6D +01,02
7007 n6D ?n6D +01,02
7008 x..3 +01,02
7009 x..10 +01,02
7010 x..2 +01,02
7011 n6D ?n4t +01,02
7020 x..20 +01,8006 +416
7021 x..20 +01,8006
7022 x..20 +7021
7023 x..30
7030-7039 n3 x..27 +01,02
7040 n1 x3
710-715 x..20 +01
7230-7239 x2 x..28 +01,8004
7240 x..20 +01,8006
7241 n2 +8017,8018
7242 x..25 +8017,8018
8001 n14 +01
8002 x..20
8003 n1o n13c ?x..16 @
8004 x..30 @7040
8005 n6 +01,02
8006 n14c n4p !01,37 @22,10,21
8007 x..34 +415
8008 n8 ?n..4 +01,02
8009 x..50 +00,01
8010 y..30 @8011
8011 n..12 +8010
8012 x..20 +01,8006
8013 x..25 @
8017 n18c !8018 @8019
8018 n18c !8017 @8019
8019 n..10 +8017,8018
8020 x..25 +415
8026 n14c n4p +37 !02,8006
8030 z..90 +00,01,253,255,8003,8004,8006,8010,8017,8018
8110 x..70
8111 n4 +255
8112 x..70
8200 x..70 +01
90 x..30
91-99 x..90
`

// table has every identifier by its code; codeLength has the length of a code by
// its first two digits, which fix it.
var table, codeLength = readIdentifiers(identifiers)

// readIdentifiers reads the notation above. A mistake in it is ours: it panics at
// start, and any test of the package shows it.
func readIdentifiers(text string) (map[string]*ai, map[string]int) {
	all, lengths := map[string]*ai{}, map[string]int{}
	for line := range strings.Lines(strings.TrimSpace(text)) {
		fields := strings.Fields(line)
		proto := ai{}
		for _, f := range fields[1:] {
			switch rest := f[1:]; f[0] {
			case '*':
				proto.fixed = true
			case '+':
				proto.needs = append(proto.needs, strings.Split(rest, ","))
			case '!':
				proto.bars = strings.Split(rest, ",")
			case '@':
				proto.key = true
				for one := range strings.SplitSeq(rest, "|") {
					if one != "" {
						proto.qualifiers = append(proto.qualifiers, strings.Split(one, ","))
					}
				}
			default:
				proto.parts = append(proto.parts, readPart(f))
			}
		}
		first, last, ranged := strings.Cut(fields[0], "-")
		if !ranged {
			last = first
		}
		low, _ := strconv.Atoi(first)
		high, _ := strconv.Atoi(last)
		for n := low; n <= high; n++ {
			one := proto
			one.code = fmt.Sprintf("%0*d", len(first), n)
			all[one.code] = &one
			lengths[one.code[:2]] = len(one.code)
		}
	}
	return all, lengths
}

func readPart(f string) part {
	p := part{min: 1}
	f, p.optional = strings.CutPrefix(f, "?")
	p.charset, f = f[0], f[1:]
	f, upTo := strings.CutPrefix(f, "..")
	end := len(f)
	if !isDigit(f[end-1]) {
		end--
		p.rule = f[end]
	}
	n, err := strconv.Atoi(f[:end])
	if err != nil {
		panic("label: part of an identifier: " + f)
	}
	p.max = n
	if !upTo {
		p.min = n
	}
	return p
}

// identifierAt gives the identifier that data begins with.
func identifierAt(data string) (*ai, bool) {
	if len(data) < 2 {
		return nil, false
	}
	n := codeLength[data[:2]]
	if n == 0 || n > len(data) {
		return nil, false
	}
	one, ok := table[data[:n]]
	return one, ok
}

// bounds gives the shortest and longest value.
func (a *ai) bounds() (low, high int) {
	for _, p := range a.parts {
		if !p.optional {
			low += p.min
		}
		high += p.max
	}
	return low, high
}

// names tells whether a code is meant by an entry of needs or bars.
func names(entry, code string) bool {
	prefix := strings.TrimRight(entry, "n")
	return len(entry) == len(code) && strings.HasPrefix(code, prefix)
}

// set82 and set39 are the character sets of the GS1 General Specifications.
const (
	set82 = "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
	set39 = "#-/0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	set64 = "-0123456789=ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)

func charset(c byte) set {
	switch c {
	case 'n':
		return digitsOnly
	case 'y':
		return charset39
	case 'z':
		return charset64
	default:
		return charset82
	}
}

var digitsOnly, charset82, charset39, charset64 = setOf(digitSet), setOf(set82), setOf(set39), setOf(set64)

// check says what is wrong with a value of this identifier, "" for nothing. It
// takes the value whole.
func (a *ai) check(value string) string {
	if value == "" {
		return "has no value"
	}
	low, high := a.bounds()
	switch {
	case len(value) < low:
		return fmt.Sprintf("is too short: %d characters of at least %d", len(value), low)
	case len(value) > high:
		return fmt.Sprintf("is too long: %d characters of at most %d", len(value), high)
	}
	rest := value
	for _, p := range a.parts {
		n := min(len(rest), p.max)
		if n == 0 && p.optional {
			continue
		}
		if n < p.min {
			return fmt.Sprintf("is too short: %d characters more are wanted", p.min-n)
		}
		if say := p.check(rest[:n]); say != "" {
			return say
		}
		rest = rest[n:]
	}
	if rest != "" {
		return "is too long"
	}
	return ""
}

func (p part) check(text string) string {
	allowed := charset(p.charset)
	for i := 0; i < len(text); i++ {
		if !allowed.has(text[i]) {
			if p.charset == 'n' {
				return fmt.Sprintf("holds %q where a digit belongs", text[i:i+1])
			}
			return fmt.Sprintf("holds %q, which its character set has not", text[i:i+1])
		}
	}
	switch p.rule {
	case 'c':
		if !hasCheckDigit(text) {
			want, _, _ := CheckDigit(text[:len(text)-1])
			return fmt.Sprintf("ends in check digit %c and %c would be right", text[len(text)-1], want)
		}
	case 'd', 'D':
		return dateFault(text, p.rule == 'd')
	case 't':
		return clockFault(text)
	case 'h':
		if text != "-" {
			return "ends in something that is no hyphen"
		}
	case 'b':
		if text != "0" && text != "1" {
			return "is neither 0 nor 1"
		}
	case 'o':
		if text != "0" {
			return "doesn't begin with 0"
		}
	case 'p':
		if text[:2] == "00" || text[2:] == "00" || text[:2] > text[2:] {
			return "is no piece of a total"
		}
	}
	return ""
}
