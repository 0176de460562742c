package api

import (
	"context"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/exchange/loggerfile"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/live"
)

// check says what is wrong with a value, "" for nothing. Values are given as
// protoreflect does: string, int64, bool, bytes.
type check func(v protoreflect.Value) string

// Limits of a request.
const (
	maxBatch    = 500
	maxSchemes  = 100
	maxRuns     = 1000
	maxReadings = 10_000
	maxText     = 500
	maxFile     = 1 << 20

	maxLoggerFile = 8 << 20 // as base64 in JSON it must fit into MaxBody
)

var (
	idForm     = regexp.MustCompile(`^[A-Za-z0-9._:-]{1,64}$`)
	callerForm = regexp.MustCompile(`^[\p{L}\p{N}._/~:-]{1,64}$`)
	codeForm   = regexp.MustCompile(`^[A-Za-z0-9._-]{1,40}$`)
	degrees    = regexp.MustCompile(`^-?\d{1,3}(\.\d{1,2})?$`)
	offsetForm = regexp.MustCompile(`^(UTC|[+-](0\d|1[0-4]):[0-5]\d)$`)
	hhmm       = regexp.MustCompile(`^([01]\d|2[0-3]):[0-5]\d$`)
	aimForm    = regexp.MustCompile(`^\][A-Za-z][0-9A-Za-z]$`)
)

func text(f func(string) string) check {
	return func(v protoreflect.Value) string {
		s := v.String()
		if s == "" {
			return ""
		}
		if !utf8.ValidString(s) {
			return "it is not text"
		}
		return f(s)
	}
}

// atMost bounds bytes.
func atMost(n int) check {
	return func(v protoreflect.Value) string {
		if len(v.Bytes()) > n {
			return fmt.Sprintf("it has %d bytes and at most %d are allowed", len(v.Bytes()), n)
		}
		return ""
	}
}

func dateText(s string) string {
	for _, form := range []string{time.DateOnly, "2006-01", "2006"} {
		if _, err := time.Parse(form, s); err == nil {
			return ""
		}
	}
	return "it is no date; write it as 1978-10-19, or 1978-10 or 1978 when no more is known"
}

func form(re *regexp.Regexp, say string) check {
	return text(func(s string) string {
		if re.MatchString(s) {
			return ""
		}
		return fmt.Sprintf("%q %s", clip(s), say)
	})
}

func word[T ~string](list []T) check {
	return text(func(s string) string {
		if slices.Contains(list, T(s)) {
			return ""
		}
		all := make([]string, len(list))
		for i, w := range list {
			all[i] = string(w)
		}
		return fmt.Sprintf("%q is not in the list; use one of: %s", clip(s), strings.Join(all, ", "))
	})
}

func between(low, high int64, unit string) check {
	return func(v protoreflect.Value) string {
		if n := number(v); n < low || n > high {
			return fmt.Sprintf("%d is out of range; it must be %d to %d%s", n, low, high, unit)
		}
		return ""
	}
}

func number(v protoreflect.Value) int64 {
	switch n := v.Interface().(type) {
	case int64:
		return n
	case int32:
		return int64(n)
	case uint64:
		return int64(min(n, 1<<62)) //nolint:gosec // cut to the range just before
	}
	return 0
}

// the checks that fields share
var (
	anID = form(idForm, "may hold only letters, digits, dot, underscore, colon and hyphen, at most 64")
	// A person or place by its code: what stands in the log for ever is no name.
	aCaller = form(callerForm, "is no staff code or place: one word of letters, digits, dot, underscore, hyphen and slash, at most 64; names belong nowhere here")
	aCode   = form(codeForm, "is no code: letters, digits, dot, underscore and hyphen, at most 40")
	aLabel  = text(aKeyText)
	free    = text(plainText)
	instant = text(instantText)
	sound   = check(func(protoreflect.Value) string { return "" }) // every value of the type is meant
	aZone   = text(func(s string) string {
		if _, err := time.LoadLocation(s); err != nil || s == "Local" {
			return fmt.Sprintf("%q is no time zone; write it as in Europe/Berlin", clip(s))
		}
		return ""
	})
	celsius       = form(degrees, "is no temperature; write degrees C with a point and at most two digits behind it, for example 21.5")
	aZoneOrOffset = text(func(s string) string {
		if _, err := time.LoadLocation(s); (err != nil || s == "Local") && !offsetForm.MatchString(s) {
			return fmt.Sprintf("%q is no time zone; write it as in Europe/Berlin, or an offset such as +01:00", clip(s))
		}
		return ""
	})
	aSeparator = text(func(s string) string {
		if len(s) > 1 {
			return fmt.Sprintf("%q is more than one character; give the one that the reader sends for GS", clip(s))
		}
		return ""
	})
	aColumn = between(0, 1000, "; columns count from 1")
	aFile   = func(v protoreflect.Value) string {
		if len(v.String()) > maxFile {
			return "the file is larger than 1 MiB"
		}
		return ""
	}
	condition = form(regexp.MustCompile(`^[a-z0-9-]{1,40}=(yes|no)$`), "must be name=yes or name=no, for example unfractionated-heparin=yes")
	flagState = []string{"open", "taken", "acted", "overridden", "aside"}
)

func aKeyText(s string) string {
	if _, err := event.LocalKey(s); err != nil {
		return err.Error()
	}
	return ""
}

func plainText(s string) string {
	if n := utf8.RuneCountInString(s); n > maxText {
		return fmt.Sprintf("it has %d characters and at most %d are allowed", n, maxText)
	}
	for _, r := range s {
		if r < 0x20 && r != '\n' && r != '\t' || r == 0x7f {
			return fmt.Sprintf("it holds the control character U+%04X; leave it out", r)
		}
	}
	return ""
}

// instantText demands an offset: a time without one has been read in the wrong
// zone too often.
func instantText(s string) string {
	if _, err := parseInstant(s); err != nil {
		return err.Error()
	}
	return ""
}

var noOffset = regexp.MustCompile(`^\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?$`)

func parseInstant(s string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	switch {
	case err == nil && (t.Year() < 1970 || t.Year() > 2200 || t.UnixMilli() <= 0):
		return time.Time{}, fmt.Errorf("%q lies outside the years 1970 to 2200", clip(s))
	case err == nil:
		return t, nil
	case noOffset.MatchString(s):
		return time.Time{}, fmt.Errorf("%q has no offset; add the zone, for example +01:00", clip(s))
	default:
		return time.Time{}, fmt.Errorf("%q is no instant; write it as 2026-11-24T10:00:00+01:00: date, T, time, and add the zone, for example +01:00", clip(s))
	}
}

func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

// byName are the checks by the field's name; byField by message and field, where
// a name means something else. A field of a request without a check fails
// TestEveryFieldHasACheck.
var byName = map[protoreflect.Name]check{
	"id": aLabel, "scan_id": anID, "batch": anID, "by": aCaller, "from": aCaller, "to": aCaller, "with": aCaller, "on_behalf_of": aCaller, "place": aLabel,
	"label": nil, "clock": nil, "scans": nil, "runs": nil, "readings": nil, "tubes": aLabel, "assumed": nil, // messages are walked
	"occurred_at": instant, "as_of": instant, "now": instant, "until": instant, "review": instant, "in_force": instant, "at": instant,
	"device": aLabel, "carrier": aLabel, "draw": aLabel, "patient": aLabel, "parent": aLabel, "request": aLabel, "logger": aLabel,
	"tube": aLabel, "new_draw": aLabel, "in": aLabel, "key": aLabel,
	"type": aCode, "tests": aCode, "test": aCode, "typed_at": free, "how": aCode, "reason": free, "app": aCode,
	"step": word(custody.Verbs()), "mode": word([]event.Mode{event.Live, event.Reported}), "details": free,
	"episode": between(0, 1<<40, ""), "device_seq": between(0, 1<<60, ""), "action": word(event.Actions()), "state": word(flagState),
	"file": aFile, "name": free, "in_flight": sound, "irreplaceable": sound, "active": sound, "own_climate": sound,
	"priority": aCode, "conditions": condition, "destination": aLabel, "basis": free, "owner": free, "zone": aZone,
	"identify": word(event.Identifyings()), "second_person": sound, "spins": sound, "most_draw_permille": between(0, 100, " permille"),
	"bench_spin_minutes": between(0, 24*60, " minutes"), "every_seconds": between(1, 24*3600, " seconds"),
	"hold_seconds": between(0, 24*3600, " seconds"), "max_gap_seconds": between(0, 24*3600, " seconds"),
	"uncertainty": celsius, "low": celsius, "high": celsius, "celsius": celsius,
	"role":    word(event.Roles()),
	"departs": form(hhmm, "is no time of day; write it as 07:30"), "takes_minutes": between(1, 7*24*60, " minutes"),
	"kind": nil, "text": text(plainText), "raw": func(v protoreflect.Value) string {
		if len(v.Bytes()) > label.MaxRaw {
			return fmt.Sprintf("it has more than %d bytes", label.MaxRaw)
		}
		return ""
	},
	"symbology": form(aimForm, "is no symbology identifier; it looks like ]d2"),
	"offset_ms": between(-10*366*86400_000, 10*366*86400_000, " ms"), "uncertainty_ms": between(0, 366*86400_000, " ms"),
	"monotonic_ms": between(0, 1<<60, " ms"), "boot_id": anID, "after": between(0, 1<<60, ""),
	"fact": word(factNames()), "doubts": nil,
	// read only, in what a caller got and puts back
	"dry_run": sound, "forget": sound, "date_order": word([]string{loggerfile.DayFirst, loggerfile.MonthFirst, loggerfile.YearFirst}),
	"unit": word([]string{loggerfile.Celsius, loggerfile.Fahrenheit, loggerfile.Kelvin}), "delimiter": word(slices.Sorted(maps.Keys(delimiters))),
	"decimal": word(slices.Sorted(maps.Keys(decimals))), "time_column": aColumn, "clock_column": aColumn, "temperature_column": aColumn,
	"faults": free, "doubled_hour": word([]string{loggerfile.DoubledFirst, loggerfile.DoubledSecond, loggerfile.DoubledInTurn}),
	"sync": nil, "true_time": instant, "imports": nil, "second": free,
	"hash": sound, "values": sound, "first": sound, "last": sound, "voided": sound, // read only
	"doubt": word(event.Doubts()), "causes": anID, "say": free, "open": sound, "closed_by": free, "relabel": sound,
	"likely": sound, "since": sound, "closed_at": sound, "closed_by_person": sound, // read only
	"schemes": nil, "issuer": free, "names": word(label.Things()), "pattern": free, "check": word(label.Checks()), "letter_case": word([]label.Case{label.CaseCounts}),
	"zeros": word([]label.Zeros{label.ZerosFill}), "framed": sound, "tube_type": sound, "reuse_hours": between(0, 100*366*24, " hours"), "warnings": sound, // read only
	"separator": aSeparator, "separates": sound, "wanted": word(label.Things()), "ward": aLabel,
	"attested": nil, "private": sound, "key_id": sound, "signature": sound, "row": form(regexp.MustCompile(`^R[A-Z2-7]{16}$`), "is no reference of a patient; take it from the work list"),
	"roles": nil, "badge": free, "pin": free, "account": free, "code": form(regexp.MustCompile(`^[A-Za-z0-9 -]{1,40}$`), "is no code: letters and digits, as the engineer read it out"),
	"public_key": atMost(256), "proof": atMost(128), "scopes": word(auth.Scopes()), "loggers": aLabel, "days": between(1, 366, " days"),
	"birth_date": text(dateText), "sex": word([]string{"male", "female", "other", "unknown"}), "bed": free, "family": free, "given": free, "keep": aLabel, "gone": aLabel,
	"reference": form(regexp.MustCompile(`^R[A-Z2-7]{16}$`), "is no reference of a patient"),
	"why":       word([]string{"bedside", "reception", "mismatch", "result", "correction", "complaint", "audit"}),
	"waiting":   between(0, 1<<40, ""), "oldest": instant, "lasting": sound, "seen_at": sound, // the last is read only
	"last_holder": sound, "last_place": sound, "last_seen": sound, // read only
	"rotor": nil, "holds": nil, "programmes": nil, "temperature": nil, "slots": between(1, 1000, ""), "radius_mm": between(1, 1000, " mm"),
	"most_per_minute": between(1, 200_000, " turns a minute"), "g": between(1, 1_000_000, " g"), "within_g": between(0, 1_000_000, " g"),
	"minutes": between(1, 1440, " minutes"), "handling_minutes": between(0, 1440, " minutes"),
}

var byField = map[protoreflect.FullName]check{
	"specimen.custody.v1.Programme.tubes":          aCode,
	"specimen.custody.v1.Rotor.at":                 aLabel,
	"specimen.custody.v1.ListSamplesRequest.state": word(live.SampleStates()),
	"specimen.custody.v1.NumberScheme.id":          free, // package label says what an id may be
	"specimen.custody.v1.NumberScheme.ward":        sound,
	"specimen.custody.v1.NumberScheme.in":          free,
	"specimen.custody.v1.Scan.id":                  anID,
	"specimen.custody.v1.Readings.id":              anID,
	"specimen.custody.v1.VoidFactRequest.id":       anID,
	"specimen.custody.v1.VoidFactRequest.kind":     word(event.Kinds()),
	"specimen.custody.v1.ExplainDoubtRequest.id":   form(regexp.MustCompile(`^[0-9a-f]{32}$`), "is no doubt's id: 32 hex digits, as the tube shows them"),
	"specimen.custody.v1.Place.kind":               word([]string{"ward", "home", "clinic", "hatch", "vehicle", "reception", "bench", "centrifuge", "store"}),
	"specimen.custody.v1.Carrier.kind":             word([]string{"rack", "bag", "box", "flask"}),
	"specimen.custody.v1.Device.kind":              word([]string{"phone", "cart", "desk", "wall", "service"}),
	"specimen.custody.v1.Route.from":               aLabel,
	"specimen.custody.v1.Route.to":                 aLabel,
	"specimen.custody.v1.Device.offset_ms":         sound, // read only, ignored when sent
	"specimen.custody.v1.AttestedScan.scan":        atMost(16 << 10),
	"specimen.custody.v1.AttestedScan.private":     atMost(4 << 10),
	"specimen.custody.v1.AttestedScan.signature":   atMost(64),
	"specimen.custody.v1.AttestedScan.key_id":      anID,
	"specimen.custody.v1.RevokeTokenRequest.id":    anID,
	"specimen.stability.v1.TakeFlagRequest.id":     anID,
	"specimen.stability.v1.OverrideFlagRequest.id": anID,
	"specimen.stability.v1.ActFlagRequest.id":      anID,
	"specimen.stability.v1.PutAsideFlagRequest.id": anID,
	"specimen.stability.v1.AdoptRulesRequest.id":   anID,
	"specimen.stability.v1.ListRulesRequest.test":  free,
	"specimen.custody.v1.ImportReadingsRequest.id": anID,
	"specimen.custody.v1.ImportReadingsRequest.file": func(v protoreflect.Value) string {
		if len(v.Bytes()) > maxLoggerFile {
			return "the file is larger than 8 MiB; export a shorter stretch of time"
		}
		return ""
	},
	"specimen.custody.v1.ImportReadingsRequest.zone": aZoneOrOffset,
	"specimen.custody.v1.Logger.zone":                aZoneOrOffset,
	"specimen.custody.v1.ClockSighting.logger":       instant,
}

// required fields, beside what a step itself demands.
var required = map[protoreflect.FullName]bool{
	"specimen.custody.v1.Scan.id": true, "specimen.custody.v1.Scan.step": true, "specimen.custody.v1.Scan.occurred_at": true,
	"specimen.custody.v1.RecordScansRequest.scans": true, "specimen.custody.v1.RecordReadingsRequest.runs": true,
	"specimen.custody.v1.StreamReadingsRequest.batch": true, "specimen.custody.v1.StreamReadingsRequest.runs": true,
	"specimen.custody.v1.Readings.logger": true, "specimen.custody.v1.Readings.readings": true, "specimen.custody.v1.Reading.at": true,
	"specimen.custody.v1.ImportReadingsRequest.logger": true, "specimen.custody.v1.ImportReadingsRequest.file": true,
	"specimen.custody.v1.ClockSighting.logger": true, "specimen.custody.v1.ClockSighting.true_time": true,
	"specimen.custody.v1.VoidFactRequest.id": true, "specimen.custody.v1.VoidFactRequest.kind": true,
	"specimen.custody.v1.VoidFactRequest.key": true, "specimen.custody.v1.VoidFactRequest.by": true,
	"specimen.custody.v1.VoidFactRequest.reason": true,
	"specimen.custody.v1.ExplainDoubtRequest.id": true, "specimen.custody.v1.ExplainDoubtRequest.by": true,
	"specimen.custody.v1.ExplainDoubtRequest.reason": true, "specimen.custody.v1.CountFactsRequest.fact": true,
	"specimen.custody.v1.SetClockRequest.now":   true,
	"specimen.custody.v1.GetSpinsRequest.place": true, "specimen.custody.v1.Programme.name": true, "specimen.custody.v1.Programme.tubes": true,
	"specimen.custody.v1.Programme.g": true, "specimen.custody.v1.Programme.minutes": true, "specimen.custody.v1.Rotor.slots": true,
	"specimen.custody.v1.Rotor.radius_mm": true, "specimen.custody.v1.Rotor.most_per_minute": true,
	"specimen.custody.v1.PlaceRequestRequest.id": true, "specimen.custody.v1.PlaceRequestRequest.patient": true,
	"specimen.custody.v1.AssignedTube.tube":    true,
	"specimen.custody.v1.GetRequestRequest.id": true, "specimen.custody.v1.ChangeTestRequest.id": true,
	"specimen.custody.v1.ChangeTestRequest.test": true, "specimen.custody.v1.CancelRequestRequest.id": true,
	"specimen.custody.v1.GetTubeRequest.id": true, "specimen.custody.v1.ExplainTestRequest.id": true,
	"specimen.custody.v1.ExplainTestRequest.test": true, "specimen.custody.v1.GetDrawRequest.id": true,
	"specimen.custody.v1.AskSampleRequest.id": true, "specimen.custody.v1.AskSampleRequest.by": true,
	"specimen.custody.v1.DeclineSampleRequest.id": true, "specimen.custody.v1.DeclineSampleRequest.by": true,
	"specimen.custody.v1.SampleDoneRequest.id": true, "specimen.custody.v1.GetContentsRequest.id": true,
	"specimen.custody.v1.GetEntryRequest.id": true, "specimen.custody.v1.Place.id": true, "specimen.custody.v1.Carrier.id": true,
	"specimen.custody.v1.Carrier.kind": true, "specimen.custody.v1.Logger.id": true, "specimen.custody.v1.Logger.every_seconds": true,
	"specimen.custody.v1.Person.id": true, "specimen.custody.v1.Device.id": true,
	"specimen.custody.v1.Route.id": true, "specimen.custody.v1.Route.from": true, "specimen.custody.v1.Route.to": true,
	"specimen.custody.v1.Route.takes_minutes": true, "specimen.custody.v1.Range.low": true, "specimen.custody.v1.Range.high": true,
	"specimen.stability.v1.TakeFlagRequest.tube": true, "specimen.stability.v1.TakeFlagRequest.by": true,
	"specimen.stability.v1.OverrideFlagRequest.tube": true, "specimen.stability.v1.OverrideFlagRequest.by": true,
	"specimen.stability.v1.OverrideFlagRequest.reason": true, "specimen.stability.v1.ActFlagRequest.tube": true,
	"specimen.stability.v1.ActFlagRequest.by": true, "specimen.stability.v1.ActFlagRequest.action": true,
	"specimen.stability.v1.PutAsideFlagRequest.tube": true, "specimen.stability.v1.PutAsideFlagRequest.by": true,
	"specimen.stability.v1.PutAsideFlagRequest.until": true, "specimen.stability.v1.CheckRulesRequest.file": true,
	"specimen.stability.v1.AdoptRulesRequest.by": true,
	"specimen.custody.v1.RoleAt.role":            true, "specimen.custody.v1.RoleAt.place": true,
	"specimen.custody.v1.AttestedScan.scan": true, "specimen.custody.v1.AttestedScan.key_id": true, "specimen.custody.v1.AttestedScan.signature": true,
	"specimen.custody.v1.SetSignInRequest.id": true, "specimen.custody.v1.GetSignInRequest.id": true, "specimen.custody.v1.ReleaseLockRequest.id": true,
	"specimen.custody.v1.InviteDeviceRequest.id": true, "specimen.custody.v1.EnrolDeviceRequest.code": true,
	"specimen.custody.v1.EnrolDeviceRequest.public_key": true, "specimen.custody.v1.EnrolDeviceRequest.proof": true,
	"specimen.custody.v1.MakeTokenRequest.name": true, "specimen.custody.v1.MakeTokenRequest.scopes": true, "specimen.custody.v1.MakeTokenRequest.days": true,
	"specimen.custody.v1.RevokeTokenRequest.id":       true,
	"specimen.custody.v1.WritePatientRequest.patient": true, "specimen.custody.v1.WorkListRequest.place": true, "specimen.custody.v1.LookPatientRequest.why": true,
	"specimen.custody.v1.MergePatientsRequest.keep": true, "specimen.custody.v1.MergePatientsRequest.gone": true, "specimen.custody.v1.MergePatientsRequest.reason": true,
	"specimen.custody.v1.ErasePatientRequest.reason": true,
}

var mostOf = map[protoreflect.FullName]int{
	"specimen.custody.v1.NumberSchemes.schemes":      maxSchemes,
	"specimen.custody.v1.NumberScheme.in":            maxSchemes,
	"specimen.custody.v1.Programmes.programmes":      maxSchemes,
	"specimen.custody.v1.ReadLabelRequest.wanted":    maxSchemes,
	"specimen.custody.v1.RecordScansRequest.scans":   maxBatch,
	"specimen.custody.v1.RecordReadingsRequest.runs": maxRuns,
	"specimen.custody.v1.StreamReadingsRequest.runs": maxRuns,
	"specimen.custody.v1.Readings.readings":          maxReadings,
	"specimen.custody.v1.ImportReadingsRequest.sync": 2,
}

func factNames() []string {
	var out []string
	for _, f := range event.Examples() {
		out = append(out, f.FactName())
	}
	return out
}

func checkOf(fd protoreflect.FieldDescriptor) check {
	if c, ok := byField[fd.FullName()]; ok {
		return c
	}
	return byName[fd.Name()]
}

// wrong lists what is wrong with a request, field by field.
func wrong(m proto.Message) []violation {
	return walk(nil, "", m.ProtoReflect())
}

func walk(out []violation, path string, m protoreflect.Message) []violation {
	fields := m.Descriptor().Fields()
	signed := fields.ByName("attested")
	carried := signed != nil && signed.Message() != nil && m.Has(signed) // what it holds is checked when its signature is
	for i := range fields.Len() {
		fd := fields.Get(i)
		name := path + fd.JSONName()
		if carried && fd != signed {
			if m.Has(fd) {
				out = append(out, violation{name, "a signed scan says all itself; leave this out"})
			}
			continue
		}
		if !m.Has(fd) {
			if required[fd.FullName()] {
				out = append(out, violation{name, "it is missing; it must be given"})
			}
			continue
		}
		v := m.Get(fd)
		switch {
		case fd.IsMap():
			v.Map().Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
				out = one(out, name+"."+clip(k.String()), fd, v)
				return true
			})
		case fd.IsList():
			list := v.List()
			if most := cmpMost(fd); list.Len() > most {
				out = append(out, violation{name, fmt.Sprintf("it has %d items and at most %d are allowed; send it in parts", list.Len(), most)})
				continue
			}
			for j := range list.Len() {
				item := fmt.Sprintf("%s[%d]", name, j)
				switch {
				case fd.Message() != nil:
					out = walk(out, item+".", list.Get(j).Message())
				case fd.Kind() == protoreflect.StringKind && list.Get(j).String() == "":
					out = append(out, violation{item, "it is empty; fill it in or leave it out"})
				default:
					out = one(out, item, fd, list.Get(j))
				}
			}
		case fd.Message() != nil:
			out = walk(out, name+".", v.Message())
		default:
			out = one(out, name, fd, v)
		}
	}
	return out
}

func cmpMost(fd protoreflect.FieldDescriptor) int {
	if most, ok := mostOf[fd.FullName()]; ok {
		return most
	}
	return maxBatch
}

func one(out []violation, name string, fd protoreflect.FieldDescriptor, v protoreflect.Value) []violation {
	if c := checkOf(fd); c != nil {
		if say := c(v); say != "" {
			out = append(out, violation{name, say})
		}
	}
	return out
}

// Unary checks every field of a request before anything else sees it.
func Unary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if m, ok := req.(proto.Message); ok {
		if vs := wrong(m); len(vs) > 0 {
			return nil, violations(vs...)
		}
	}
	return next(ctx, req)
}

// Stream is Unary for streaming methods. A message of a stream that has a name is
// named beside its fields.
func Stream(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	return next(srv, checkedStream{ss})
}

type checkedStream struct{ grpc.ServerStream }

// RecvMsg implements grpc.ServerStream.
func (s checkedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	if p, ok := m.(proto.Message); ok {
		if vs := wrong(p); len(vs) > 0 {
			named, _ := m.(interface{ GetBatch() string })
			if named == nil {
				return violations(vs...)
			}
			return inBatch(named.GetBatch(), violations(vs...))
		}
	}
	return nil
}
