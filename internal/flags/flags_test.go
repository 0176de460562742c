package flags_test

import (
	"testing"

	"pgregory.net/rapid"

	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/flags"
)

func finding(assay string, v event.Verdict, o event.Outlook, spin bool) flags.Finding {
	return flags.Finding{FlagTest: event.FlagTest{Assay: assay, Verdict: v, Outlook: o}, EndsBySpin: spin, Due: 1000}
}

// The order of actions is design section 7: a new sample is the last proposal,
// never the first.
func TestActions(t *testing.T) {
	desk := flags.Situation{AtDesk: true, Unspun: true}
	road := flags.Situation{Unspun: true}
	late := finding("K", event.WithinLimits, event.RunningOut, true)
	count := finding("CBC", event.WithinLimits, event.RunningOut, false)
	fine := finding("NA", event.WithinLimits, event.InTime, true)
	lost := finding("GLU", event.PastLimit, event.OutlookUnknown, true)
	saved := lost
	saved.OtherTube = true
	frozen := finding("CBC", event.CannotSay, event.OutlookUnknown, false)
	frozen.Reasons = []event.Reason{event.ReasonFrozen}
	unsure := finding("K", event.CannotSay, event.OutlookUnknown, true)
	beyond := finding("K", event.NotStudiedBeyond, event.OutlookUnknown, true)
	hot := fine
	hot.OutsideNow, hot.Outlook = true, event.RunningOut
	irreplaceable := desk
	irreplaceable.Irreplaceable = true
	spun := desk
	spun.Unspun = false
	done := lost
	done.Done = true
	for name, c := range map[string]struct {
		s    flags.Situation
		fs   []flags.Finding
		want event.Action // empty: no flag
	}{
		"nothing wrong":              {desk, []flags.Finding{fine}, ""},
		"let it clot":                {desk, []flags.Finding{finding("K", event.Wait, event.InTime, true)}, ""},
		"no limit adopted":           {desk, []flags.Finding{finding("K", event.NoLimitAdopted, event.OutlookUnknown, true)}, ""},
		"other tube":                 {desk, []flags.Finding{saved, late}, event.UseOtherTube},
		"count first":                {desk, []flags.Finding{count, late}, event.RunNow},
		"load":                       {desk, []flags.Finding{late, lost}, event.LoadNow},
		"hurry":                      {road, []flags.Finding{late, lost}, event.Hurry},
		"into the right climate":     {road, []flags.Finding{hot}, event.MoveTemperature},
		"look at it":                 {desk, []flags.Finding{frozen}, event.LookAtTube},
		"one lost, one alive":        {desk, []flags.Finding{lost, fine}, event.SpinButHold},
		"not studied":                {desk, []flags.Finding{beyond}, event.AskLaboratory},
		"cannot say at the desk":     {desk, []flags.Finding{unsure}, event.AskLaboratory},
		"cannot say on the road":     {road, []flags.Finding{unsure}, ""},
		"all lost":                   {desk, []flags.Finding{lost}, event.AskNewSample},
		"lost after the spin":        {spun, []flags.Finding{lost, fine}, event.AskNewSample},
		"irreplaceable":              {irreplaceable, []flags.Finding{lost}, event.AskLaboratory},
		"already run":                {desk, []flags.Finding{done}, event.AskLaboratory},
		"thrown away":                {flags.Situation{Gone: true}, []flags.Finding{fine}, event.AskNewSample}, // CUS-S4
		"thrown away, other tube":    {flags.Situation{Gone: true}, []flags.Finding{saved}, event.UseOtherTube},
		"thrown away, sample asked":  {flags.Situation{Gone: true, Asked: true}, []flags.Finding{fine}, ""},
		"thrown away after the test": {flags.Situation{Gone: true}, []flags.Finding{done}, ""},
	} {
		flag, ok := flags.Want(c.s, c.fs)
		if ok != (c.want != "") || flag.Action != c.want {
			t.Errorf("%s: %v %q, want %q", name, ok, flag.Action, c.want)
		}
	}
	if f, _ := flags.Want(desk, []flags.Finding{done}); f.Kind != event.FlagAfter {
		t.Errorf("a test already run is flagged as %q", f.Kind)
	}
}

// Running it again gives nothing: whatever is open and wanted, once the fact is
// folded the log agrees.
func TestReconcileTwiceIsNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) (event.Flag, bool) {
			s := flags.Situation{AtDesk: rapid.Bool().Draw(t, name+"desk"), Unspun: rapid.Bool().Draw(t, name+"unspun")}
			var fs []flags.Finding
			for range rapid.IntRange(0, 4).Draw(t, name+"n") {
				fs = append(fs, finding(rapid.SampledFrom([]string{"K", "GLU", "CBC"}).Draw(t, name+"assay"),
					rapid.SampledFrom(event.Verdicts()).Draw(t, name+"v"), rapid.SampledFrom(event.Outlooks()).Draw(t, name+"o"), rapid.Bool().Draw(t, name+"spin")))
			}
			return flags.Want(s, fs)
		}
		open, isOpen := draw("open")
		last := rapid.Int64Range(0, 5).Draw(t, "last")
		if isOpen {
			last++
			open.Episode = last
		}
		want, wanted := draw("want")
		switch f := flags.Reconcile(open, isOpen, last, want, wanted).(type) {
		case event.FlagRaised:
			if isOpen || f.Flag.Episode != last+1 {
				t.Fatalf("raised episode %d after %d, open %v", f.Flag.Episode, last, isOpen)
			}
			open, isOpen, last = f.Flag, true, f.Flag.Episode
		case event.FlagChanged:
			open = f.Flag
		case event.FlagCleared:
			isOpen = false
		}
		if isOpen != wanted {
			t.Fatalf("open %v, wanted %v", isOpen, wanted)
		}
		if f := flags.Reconcile(open, isOpen, last, want, wanted); f != nil {
			t.Fatalf("a second time gives %#v", f)
		}
	})
}
