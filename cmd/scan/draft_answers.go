package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/specimendefinition"
	"specimen.example/custody/internal/stability"
)

// mostAnswerMistakes bounds a report: a file of another kind would else give a
// message many times its own size.
const mostAnswerMistakes = 100

// place is where a value of the answers stands, counted from 1.
type place struct{ line, column int }

// answersReader reads a laboratory's answers. It goes on behind a mistake, so
// that all are told at once; only what is no JSON ends it.
type answersReader struct {
	file   string
	data   []byte
	dec    *json.Decoder
	found  stability.Mistakes
	ended  bool
	places map[string]place // by path, for example typeTested[0].handling[1].band
}

// fields are the keys of an object with what reads each value.
type fields map[string]func(path string)

// read gives the answers; they count only when nothing was found.
func (r *answersReader) read() specimendefinition.Answers {
	a := specimendefinition.Answers{}
	r.places = map[string]place{}
	r.dec = json.NewDecoder(bytes.NewReader(r.data))
	r.dec.UseNumber()
	switch {
	case len(r.data) > specimendefinition.MaxBytes:
		r.end(0, fmt.Sprintf("is %d bytes long", len(r.data)), "give answers of at most 1 MiB")
	case !utf8.Valid(r.data):
		r.end(0, "is not UTF-8", "save it as UTF-8")
	}
	r.checkJSON()
	r.object("", fields{
		"set": func(path string) {
			r.object(path, fields{"name": r.text(&a.Set), "version": r.whole(&a.Version, 1<<31-1), "author": r.text(&a.Author)})
		},
		"tests": func(path string) {
			r.list(path, func(_ int, path string) {
				test := specimendefinition.Test{}
				r.object(path, fields{"code": r.text(&test.Code), "loinc": r.text(&test.Loinc), "name": r.text(&test.Name)})
				a.Tests = append(a.Tests, test)
			})
		},
		"typeTested": func(path string) {
			a.Tested = map[int]specimendefinition.TestedAnswer{}
			r.list(path, func(i int, path string) { a.Tested[i] = r.tested(path) })
		},
	})
	return a
}

// checkJSON looks at the whole file first: errors of a decoder that goes token by
// token don't tell where in the file they are.
func (r *answersReader) checkJSON() {
	var whole json.RawMessage
	err := json.Unmarshal(r.data, &whole)
	var syntax *json.SyntaxError
	if !errors.As(err, &syntax) {
		return
	}
	r.end(max(syntax.Offset-1, 0), "is not JSON: "+err.Error(), "compare the commas, quotes and brackets around; at least {} must stand there")
}

func (r *answersReader) tested(path string) specimendefinition.TestedAnswer {
	a := specimendefinition.TestedAnswer{}
	r.object(path, fields{
		"leave-out": r.reason(&a.Leave),
		"tubes": func(path string) {
			r.list(path, func(_ int, path string) {
				code := ""
				r.text(&code)(path)
				a.Tubes = append(a.Tubes, code)
			})
		},
		"state": r.text(&a.State), "from": r.text(&a.From), "until": r.text(&a.Until), "combine": r.text(&a.Combine), "evidence": r.text(&a.Evidence),
		"condition": func(path string) {
			a.Conditions = map[string]bool{}
			r.members(path, func(name, path string, _ int64) {
				holds := false
				r.yesNo(&holds)(path)
				a.Conditions[name] = holds
			})
		},
		"direction": func(path string) { r.object(path, fields{"time": r.text(&a.TimeReads)}) },
		"critical":  r.yesNo(&a.Critical),
		"source": func(path string) {
			s, year := &a.Source, int64(0)
			r.object(path, fields{"title": r.text(&s.Title), "year": r.whole(&year, 9999), "where": r.text(&s.Where), "address": r.text(&s.Address), "seen": r.text(&s.Seen)})
			s.Year = int(year)
		},
		"default": func(path string) {
			a.Default = &specimendefinition.Default{}
			at := r.next()
			r.object(path, fields{"chosen": r.yesNo(&a.Default.Chosen), "because": r.text(&a.Default.Because)})
			if _, said := r.places[path+".chosen"]; !said {
				r.wrong(at, path+".chosen", "is missing", "write true or false, or leave default out")
			}
		},
		"handling": func(path string) {
			a.Handling = map[int]specimendefinition.HandlingAnswer{}
			r.list(path, func(i int, path string) {
				h := specimendefinition.HandlingAnswer{}
				r.object(path, fields{"leave-out": r.reason(&h.Leave), "band": r.band(&h.Band), "limit": r.duration(&h.Ms)})
				a.Handling[i] = h
			})
		},
	})
	return a
}

// locate gives the faults that a draft found in answers the place of the answer
// in its file; they name it by the element that it is for.
func (r *answersReader) locate(file string, faults stability.Mistakes) stability.Mistakes {
	for i := range faults {
		m := &faults[i]
		m.Line, m.Column = 1, 1
		path := strings.TrimPrefix(m.Field, "SpecimenDefinition.")
		if !strings.Contains(path, "[") {
			continue // of the resource as a whole
		}
		path = strings.Replace(strings.Replace(path, ".maxDuration", ".limit", 1), ".temperatureRange", ".band", 1)
		for path != "" {
			if at, known := r.places[path]; known {
				m.File, m.Line, m.Column = r.file, at.line, at.column
				break
			}
			path = path[:max(strings.LastIndexByte(path, '.'), 0)]
		}
	}
	return faults
}

// next is the offset of the next key or value.
func (r *answersReader) next() int64 {
	offset := r.dec.InputOffset()
	rest := r.data[min(int(offset), len(r.data)):]
	return offset + int64(len(rest)-len(bytes.TrimLeft(rest, " \t\r\n,:")))
}

func (r *answersReader) placeOf(offset int64) place {
	before := r.data[:min(int(offset), len(r.data))]
	return place{bytes.Count(before, []byte("\n")) + 1, utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1}
}

func (r *answersReader) wrong(offset int64, field, problem, remedy string) {
	if r.ended {
		return
	}
	if field == "" {
		field = "answers"
	}
	at := r.placeOf(offset)
	r.found = append(r.found, stability.Mistake{File: r.file, Line: at.line, Column: at.column, Field: field, Problem: problem, Remedy: remedy})
	r.ended = len(r.found) >= mostAnswerMistakes
}

// end tells a mistake behind which nothing can be read.
func (r *answersReader) end(offset int64, problem, remedy string) {
	r.wrong(offset, "", problem, remedy)
	r.ended = true
}

// token gives the next token; nil with ended set where there is none.
func (r *answersReader) token() json.Token {
	if r.ended {
		return nil
	}
	token, err := r.dec.Token()
	if err != nil {
		r.end(r.next(), "is not JSON: "+err.Error(), "compare the commas, quotes and brackets around")
		return nil
	}
	return token
}

// skip passes over the rest of a value whose first token was read.
func (r *answersReader) skip(first json.Token) {
	depth := 0
	for token := first; !r.ended; token = r.token() {
		switch token {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		}
		if depth == 0 {
			return
		}
	}
}

// opens reads the bracket that a block must begin with.
func (r *answersReader) opens(path string, bracket json.Delim, problem, remedy string) bool {
	at := r.next()
	token := r.token()
	if r.ended || token == bracket {
		return !r.ended
	}
	r.wrong(at, path, problem, remedy)
	r.skip(token)
	return false
}

// members reads an object whose keys are free; each stands once.
func (r *answersReader) members(path string, member func(name, path string, at int64)) {
	if !r.opens(path, '{', "is no object", "write keys and values in braces") {
		return
	}
	seen := map[string]bool{}
	for !r.ended && r.dec.More() {
		at := r.next()
		name, _ := r.token().(string)
		field := shownKey(name)
		if path != "" {
			field = path + "." + field
		}
		if seen[name] && !r.ended {
			r.wrong(at, field, "stands twice", "keep one of the two")
			r.skip(r.token())
			continue
		}
		seen[name] = true
		r.places[field] = r.placeOf(at)
		member(name, field, at)
	}
	r.token()
}

func (r *answersReader) object(path string, known fields) {
	r.members(path, func(name, path string, at int64) {
		if read := known[name]; read != nil {
			read(path)
			return
		}
		r.wrong(at, path, "is no key of the answers", "use one of "+strings.Join(slices.Sorted(maps.Keys(known)), ", "))
		r.skip(r.token())
	})
}

func (r *answersReader) list(path string, item func(i int, path string)) {
	if !r.opens(path, '[', "is no list", "write it in square brackets") {
		return
	}
	for i := 0; !r.ended && r.dec.More(); i++ {
		one := fmt.Sprintf("%s[%d]", path, i)
		r.places[one] = r.placeOf(r.next())
		item(i, one)
	}
	r.token()
}

// shownKey is a key as it can stand in a message.
func shownKey(name string) string {
	if quoted := strconv.Quote(name); quoted[1:len(quoted)-1] != name || name == "" || len(name) > 60 {
		return shownText(name)
	}
	return name
}

func shownText(text string) string {
	if runes := []rune(text); len(runes) > 60 {
		text = string(runes[:60]) + "…"
	}
	return strconv.Quote(text)
}

func (r *answersReader) text(to *string) func(string) {
	return func(path string) {
		at := r.next()
		token := r.token()
		text, is := token.(string)
		if !is {
			r.wrong(at, path, "is no text", "write it in quotes, or leave the key out")
			r.skip(token)
			return
		}
		*to = text
	}
}

// reason reads why something is left out, which may not be blank.
func (r *answersReader) reason(to *string) func(string) {
	return func(path string) {
		at, before := r.next(), len(r.found)
		r.text(to)(path)
		if strings.TrimSpace(*to) == "" && len(r.found) == before {
			r.wrong(at, path, "is blank", "say why it is left out, or take the key away")
		}
	}
}

func (r *answersReader) yesNo(to *bool) func(string) {
	return func(path string) {
		at := r.next()
		token := r.token()
		yes, is := token.(bool)
		if !is {
			r.wrong(at, path, "is neither true nor false", "write true or false without quotes")
			r.skip(token)
			return
		}
		*to = yes
	}
}

// whole reads a whole number from 1 to most.
func (r *answersReader) whole(to *int64, most int64) func(string) {
	return func(path string) {
		at := r.next()
		token := r.token()
		number, _ := token.(json.Number)
		n, err := strconv.ParseInt(number.String(), 10, 64)
		if err != nil || n < 1 || n > most {
			r.wrong(at, path, "is no whole number from 1", fmt.Sprintf("write 1 to %d without quotes", most))
			r.skip(token)
			return
		}
		*to = n
	}
}

// plainDecimal is the form of numbers that a rule file has.
var plainDecimal = regexp.MustCompile(`^-?[0-9]{1,9}(\.[0-9]{1,6})?$`)

// wholeTimes gives text times n, and whether that is whole.
func wholeTimes(text string, n int64) (int64, bool) {
	if !plainDecimal.MatchString(text) {
		return 0, false
	}
	value, ok := new(big.Rat).SetString(text)
	if !ok || !value.Mul(value, big.NewRat(n, 1)).IsInt() {
		return 0, false
	}
	return value.Num().Int64(), true // at most 9 digits before the point: far inside int64
}

// band reads two ends in degrees Celsius onto the grid of 0.01 °C.
func (r *answersReader) band(to **specimendefinition.Band) func(string) {
	return func(path string) {
		at, before := r.next(), len(r.found)
		var ends []event.CentiC
		r.list(path, func(_ int, path string) {
			at := r.next()
			token := r.token()
			number, _ := token.(json.Number)
			c, ok := wholeTimes(number.String(), 100)
			if !ok || c < -200_00 || c > 150_00 { // the bounds of a rule file
				r.wrong(at, path, "is no temperature of a tube", "write degrees C from -200 to 150 with at most two decimals and without quotes, for example 2.25")
				r.skip(token)
				return
			}
			ends = append(ends, event.CentiC(c))
		})
		switch {
		case len(r.found) > before || r.ended:
		case len(ends) != 2:
			r.wrong(at, path, "doesn't have two ends", "write the colder and the warmer end, for example [2.00, 8.00]")
		default:
			*to = &specimendefinition.Band{Low: ends[0], High: ends[1]}
		}
	}
}

// unitsMs are the units of durations of a rule file in milliseconds.
var unitsMs = map[string]int64{"s": 1000, "m": 60_000, "h": 3_600_000, "d": 86_400_000}

// duration reads a length of time as a rule file writes it.
func (r *answersReader) duration(to *int64) func(string) {
	return func(path string) {
		at := r.next()
		token := r.token()
		text, _ := token.(string)
		number := strings.TrimRight(text, "smhd")
		ms, ok := wholeTimes(number, unitsMs[text[len(number):]])
		// The bound of a rule file: ten years with leap days.
		if !ok || ms <= 0 || ms > 3660*unitsMs["d"] {
			r.wrong(at, path, "is no length of time", "write a number with s, m, h or d in quotes, above 0 and up to 3660 days, for example \"90m\"")
			r.skip(token)
			return
		}
		*to = ms
	}
}
