package app

import (
	"context"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/web"
)

// teller tells what the facts of steps say. Like names it lives no longer than one look
// at the world.
type teller struct {
	names
	tests map[string]string // names of tests by code, as who asks may see them
	now   event.Instant
	zone  *time.Location
	// whole: what stands elsewhere on a tube's page is said too, as a report does.
	whole bool
}

// also is what only a report says.
func (n teller) also(s string) string {
	if n.whole {
		return s
	}
	return ""
}

// test gives the name of a test. A code that nobody looked up is not shown: it might be a
// restricted test's.
func (n teller) test(code string) string {
	if name, ok := n.tests[code]; ok {
		return name
	}
	return "a test"
}

func (n teller) testList(codes []string) string {
	words := make([]string, len(codes))
	for i, c := range codes {
		words[i] = n.test(c)
	}
	return strings.Join(words, ", ")
}

// testNames gives the names of all tests that the facts of some steps name, as who asks
// may see them.
func (p *pages) testNames(ctx context.Context, lists ...[]custody.Step) map[string]string {
	may := p.mayName(ctx)
	out := map[string]string{custody.NoTests: custody.NoTests}
	for _, steps := range lists {
		for i := range steps {
			for _, f := range steps[i].Facts {
				for _, code := range testsIn(f) {
					if _, known := out[code]; known {
						continue
					}
					out[code] = code
					if a, ok := p.a.model.Assay(code); ok && a.Name != "" {
						out[code] = a.Name
					}
					if !may && p.a.model.Restricted(code) {
						out[code] = restrictedName
					}
				}
			}
		}
	}
	return out
}

// testsIn gives the codes of the tests that a fact names.
func testsIn(f event.Fact) []string {
	switch f := f.(type) {
	case event.TestAdded:
		return []string{f.Test}
	case event.TestWithdrawn:
		return []string{f.Test}
	}
	v := reflect.ValueOf(f)
	if tests := v.FieldByName("Tests"); tests.IsValid() && tests.Type() == reflect.TypeFor[[]string]() {
		return tests.Interface().([]string)
	}
	return nil
}

// notesIn counts the texts under a patient's key in the facts of a record.
func notesIn(facts []event.Fact) int {
	n := 0
	for _, f := range facts {
		v := reflect.ValueOf(f)
		for i := range v.NumField() {
			if c, ok := v.Field(i).Interface().(event.Ciphertext); ok && len(c.Box) > 0 {
				n++
			}
		}
	}
	return n
}

// doubts gives the open doubts and then those that were settled.
func (n teller) doubts(open []custody.OpenDoubt, past []custody.PastDoubt, steps []custody.Step) []web.DoubtRow {
	var out []web.DoubtRow
	for _, d := range open {
		out = append(out, web.DoubtRow{ID: d.ID, Doubt: d.Doubt, Note: n.causes(steps, d.Causes), Since: d.Since, Likely: event.LikelyCauses(d.Doubt)})
	}
	for _, d := range past {
		if d.ClosedAt == 0 || slices.ContainsFunc(open, func(o custody.OpenDoubt) bool { return o.ID == d.ID }) {
			continue
		}
		by := d.Actor
		if d.By == "facts" {
			by = "later scans"
		}
		out = append(out, web.DoubtRow{ID: d.ID, Doubt: d.Doubt, Note: n.causes(steps, d.Causes), Since: d.RaisedAt, Closed: d.ClosedAt, By: by, Reason: plain(d.Reason)})
	}
	return out
}

// causes names the steps that a doubt rests on.
func (n teller) causes(steps []custody.Step, ids []string) string {
	var words []string
	for i := range steps {
		s := &steps[i]
		if !slices.Contains(ids, recordID(s.Record)) {
			continue
		}
		say := stepName(s)
		if s.Inherited {
			say = n.carrier(s.By) + " " + say
		}
		if s.Record.Actor != "" {
			say += " by " + s.Record.Actor
		}
		if s.Record.Place != "" {
			say += ", " + n.place(s.Record.Place) + ","
		}
		words = append(words, say+" "+whenWords(s.At(), n.now, n.zone))
	}
	return strings.Join(words, "; ")
}

// recordID names a record as the causes of doubts do.
func recordID(r *event.Record) string {
	if r.ID == "" {
		return "#" + strconv.FormatUint(r.Seq, 10)
	}
	return r.ID
}

// voidsOf gives the step that took each step back, by the id of the latter.
func voidsOf(steps []custody.Step) map[string]*custody.Step {
	voids := map[string]*custody.Step{}
	for i := range steps {
		for _, f := range steps[i].Facts {
			if f, ok := f.(event.Voided); ok && !steps[i].Voided {
				voids[f.Scan] = &steps[i]
			}
		}
	}
	return voids
}

// voidReason is why a step takes another one back.
func voidReason(s *custody.Step) string {
	for _, f := range s.Facts {
		if f, ok := f.(event.Voided); ok {
			return plain(f.Reason)
		}
	}
	return ""
}

// step says one step of the timeline. Free text is under the patient's key and is
// not shown here.
func (n teller) step(s *custody.Step, voids map[string]*custody.Step) web.StepRow {
	r := s.Record
	row := web.StepRow{
		At: s.At(), Recorded: r.Recorded, Step: stepName(s), By: r.Actor, Place: n.place(r.Place), Device: r.Device,
		Reported: r.Step != "" && r.Mode == event.Reported, Voided: s.Voided,
	}
	if s.Inherited {
		row.Inherited = n.carrier(s.By)
	}
	if strings.Contains(r.How, ".") { // somebody said by what it was read
		row.Label = label.WordOf(r.How)
	}
	said := n.facts(s.Facts)
	row.Carrier, row.From, row.Note = said.carrier, said.from, said.note
	if more := len(s.Repeats); more > 0 {
		row.Note = strings.TrimPrefix(row.Note+"; told "+strconv.Itoa(more+1)+" times", "; ")
	}
	if by := voids[recordID(r)]; s.Voided && by != nil {
		row.VoidedBy, row.VoidedFor = by.Record.Actor, voidReason(by)
	}
	return row
}

// saidOf is what facts say beside the name of their step.
type saidOf struct{ carrier, from, note string }

func (n teller) facts(facts []event.Fact) saidOf {
	var out saidOf
	var notes []string
	for _, f := range facts {
		if note := n.fact(&out, f); note != "" {
			notes = append(notes, note)
		}
	}
	out.note = strings.Join(notes, "; ")
	return out
}

// listed joins what is said, leaving out what isn't.
func listed(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), ", ")
}

// withWord puts a word before what is said; nothing before nothing.
func withWord(word, s string) string {
	if s == "" {
		return ""
	}
	return word + " " + s
}

func counted(n int64, what string) string {
	if n == 0 {
		return ""
	}
	return strconv.FormatInt(n, 10) + " " + what
}

// fact takes what one fact says and gives what is to be noted.
func (n teller) fact(out *saidOf, f event.Fact) string {
	to := func(place, mode string) string { return listed(withWord("to", n.place(place)), modeWords(mode)) }
	switch f := f.(type) {
	case event.Packed:
		out.carrier = n.carrier(f.Carrier)
	case event.Unpacked:
		if f.Carrier == "" {
			return "whatever held it"
		}
		out.carrier = n.carrier(f.Carrier)
	case event.Released:
		return listed(to(f.To, f.Mode), counted(f.Count, "counted"), withWord("seal", f.Seal))
	case event.TakenOver:
		out.from = n.place(f.From)
		return listed(modeWords(f.Mode), counted(f.Count, "counted"), withWord("seal", f.Seal), withWord("condition", f.Condition))
	case event.Received:
		out.from = n.place(f.From)
		if f.Carrier != "" {
			out.carrier = "out of " + n.carrier(f.Carrier)
		}
		return listed(withWord("condition", f.Condition), withWord("type seen", f.Type))
	case event.Departed:
		return listed(to(f.To, f.Mode), n.also(withWord("timetable", f.Route.Label())))
	case event.Destined:
		return n.place(f.Place)
	case event.Redirected:
		return n.place(f.Place)
	case event.HandlingAttested:
		return plain(f.Handling)
	case event.Stored:
		return n.place(f.Place)
	case event.Retrieved:
		return n.place(f.Place)
	case event.Referred:
		back := ""
		if f.Due != 0 {
			back = "back by " + whenWords(f.Due, n.now, n.zone)
		}
		return listed(to(f.To, ""), back)
	case event.DerivedFrom:
		return listed("from "+f.Parent.Label(), f.Type, n.testList(f.Tests))
	case event.SameMaterialAs:
		return listed("it was "+f.Tube.Label(), plain(f.Reason))
	case event.SplitInto:
		return "into " + n.tubes(f.Tubes)
	case event.Sealed:
		return listed(withWord("seal", f.Seal), counted(f.Count, "counted"))
	case event.SealBroken:
		return withWord("seal", f.Seal)
	case event.Emptied:
		return counted(f.Count, "taken out")
	default:
		return n.lab(f)
	}
	return ""
}

// lab says what facts of the laboratory, of the flag and of doubts say.
func (n teller) lab(f event.Fact) string {
	switch f := f.(type) {
	case event.AcceptedWithDeviation:
		return listed("with a deviation", plain(f.Reason), withWord("authorised by", f.Authoriser), withWord("text for the report:", f.ReportText))
	case event.Rejected:
		return plain(f.Reason)
	case event.DefectNoted:
		return plain(f.Defect)
	case event.SpinStarted:
		return listed(f.Programme, counted(f.G, "g"), counted(f.Minutes, "min"), withWord("load", f.Load.Label()))
	case event.SpinFailed:
		return plain(f.Reason)
	case event.Measured:
		return strings.Trim(plain(f.What)+": "+n.testList(f.Tests), ": ")
	case event.IncubationStarted:
		return n.testList(f.Tests)
	case event.IncubationEnded:
		return n.testList(f.Tests)
	case event.Disposed:
		return plain(f.Reason)
	case event.DeclaredLost:
		return plain(f.Reason)
	case event.ResultIssued:
		return n.testList(f.Tests)
	case event.FlagRaised:
		return plain(string(f.Flag.Verdict)) + ", " + plain(string(f.Flag.Action))
	case event.FlagChanged:
		return plain(string(f.Flag.Verdict)) + ", " + plain(string(f.Flag.Action))
	case event.FlagActed:
		return plain(f.Action)
	case event.FlagOverridden:
		return plain(f.Reason)
	case event.FlagPutAside:
		return listed("until "+whenWords(f.Until, n.now, n.zone), plain(f.Reason))
	case event.DoubtRaised:
		return plain(f.Doubt)
	case event.DoubtClosed:
		return plain(f.Reason)
	case event.Voided:
		return plain(f.Reason)
	case event.Reidentified:
		return plain(f.Reason)
	default:
		return n.order(f)
	}
}

// order says what facts of draws, requests and declarations say. Whom they are about is
// not told: a reference identifies nobody to a reader, and the log has no more.
func (n teller) order(f event.Fact) string {
	switch f := f.(type) {
	case event.TubePrepared:
		return n.also(listed(f.Type, n.testList(f.Tests)))
	case event.Collected:
		return listed(n.also(f.Type), n.also(n.testList(f.Tests)), withWord("lot", f.Lot), withWord("good until", f.Expiry))
	case event.DrawStarted:
		return listed(plain(f.Method), plain(f.Site), withWord("checked:", plain(strings.Join(f.Checks, ", "))))
	case event.CollectionFailed:
		return plain(f.Reason)
	case event.IdentityMismatch:
		return listed("a label of somebody else than the band", f.Tube.Label())
	case event.DrawEnded:
		return listed(plain(f.AfterCare), withWord("adverse event:", plain(f.AdverseEvent)))
	case event.RecollectionAsked:
		return listed(plain(f.Reason), withWord("for", n.tubes(f.Tubes)), withWord("tests:", n.testList(f.Tests)))
	case event.RecollectionDeclined:
		return plain(f.Reason)
	case event.RecollectionDone:
		return withWord("draw", f.NewDraw.Label())
	case event.RequestPlaced:
		return listed(n.testList(f.Tests), f.Priority, withWord("to", n.place(f.Destination)))
	case event.RequestCancelled:
		return plain(f.Reason)
	case event.TestAdded:
		return n.test(f.Test)
	case event.TestWithdrawn:
		return n.test(f.Test)
	case event.TubeAssigned:
		return listed(f.Tube.Label(), f.Type, n.testList(f.Tests))
	case event.CarrierDescribed:
		kept := ""
		if f.Assumed.Known {
			kept = bandWords(f.Assumed.Low, f.Assumed.High) + " assumed inside"
		}
		return listed(f.CarrierKind, kept, f.Basis, withWord("owner", f.Owner))
	}
	return ""
}
