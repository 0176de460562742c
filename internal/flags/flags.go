// Package flags decides what a tube's one flag says and which fact makes the log
// agree. It is a value function twice over: findings in, wanted flag out; open
// and wanted flag in, at most one fact out. Running it again gives nothing.
package flags

import (
	"slices"

	"specimen.example/custody/internal/event"
)

// Finding is what the judge said of one test, with what decides the action.
type Finding struct {
	event.FlagTest
	// Due is the earliest instant at which the limit may be met, 0 for none.
	Due event.Instant
	// EndsBySpin: loading the centrifuge ends the limit. Otherwise running the test does.
	EndsBySpin bool
	// Done: the limit has ended (the test was run, or its step was made).
	Done bool
	// OutsideNow: the tube stands outside the limit's bands at this moment.
	OutsideNow bool
	// OtherTube: another tube of the same draw can still serve this test.
	OtherTube bool
}

// Situation is what a tube's flag depends on beside its findings.
type Situation struct {
	// AtDesk: a laboratory's reception or bench has the tube. "Cannot say" is
	// flagged only there; before that nobody could act on it.
	AtDesk bool
	// Unspun: a spin still lies ahead, if the tube is one that is spun.
	Unspun bool
	// Irreplaceable: a new sample is never the proposal.
	Irreplaceable bool
	// Gone: disposed, rejected or lost; its open tests can only be had elsewhere.
	Gone bool
	// Asked: a new sample was asked for it; then a lost tube needs nobody any more.
	Asked bool
}

// Want gives the flag the findings ask for, without an episode number; false
// when none is wanted.
func Want(s Situation, findings []Finding) (event.Flag, bool) {
	var told []Finding
	for _, f := range findings {
		if s.Gone && s.Asked {
			break
		}
		if tells(s, f) {
			told = append(told, f)
		}
	}
	if len(told) == 0 {
		return event.Flag{}, false
	}
	flag := event.Flag{Kind: event.FlagAfter, Verdict: event.WithinLimits}
	for _, f := range told {
		flag.Tests = append(flag.Tests, f.FlagTest)
		if f.Verdict.Worse(flag.Verdict) {
			flag.Verdict = f.Verdict
		}
		if !f.Done {
			flag.Kind = event.FlagBefore
			if f.Due != 0 && (flag.Until == 0 || f.Due < flag.Until) {
				flag.Until = f.Due
			}
		}
	}
	slices.SortFunc(flag.Tests, compareTests)
	flag.Action = action(s, flag.Kind, told, findings)
	return flag, true
}

// tells reports whether a finding is worth a person's attention.
func tells(s Situation, f Finding) bool {
	if s.Gone {
		return !f.Done && f.Assay != ""
	}
	switch f.Verdict {
	case event.PastLimit, event.WrongTube, event.NotStudiedBeyond:
		return true
	case event.CannotSay:
		return s.AtDesk && !f.Done
	case event.WithinLimits, event.Wait:
		return f.Outlook == event.RunningOut && !f.Done
	default:
		return false
	}
}

// action gives the first proposal, in order of preference, that fits any finding
// the flag tells. A new sample is what is left when nothing else fits.
func action(s Situation, kind event.FlagKind, told, all []Finding) event.Action {
	if kind == event.FlagAfter {
		return event.AskLaboratory
	}
	open := slices.DeleteFunc(slices.Clone(told), func(f Finding) bool { return f.Done })
	runningOut := func(f Finding) bool { return f.Outlook == event.RunningOut && alive(f) && !s.Gone }
	lost := func(f Finding) bool { return s.Gone || f.Verdict == event.PastLimit || f.Verdict == event.WrongTube }
	fits := map[event.Action]bool{
		event.UseOtherTube:    some(open, func(f Finding) bool { return lost(f) && f.OtherTube }),
		event.RunNow:          s.AtDesk && some(open, func(f Finding) bool { return runningOut(f) && !f.EndsBySpin }),
		event.LoadNow:         s.AtDesk && s.Unspun && some(open, func(f Finding) bool { return runningOut(f) && f.EndsBySpin }),
		event.MoveTemperature: some(open, func(f Finding) bool { return f.OutsideNow && !lost(f) && f.Verdict != event.CannotSay }),
		event.Hurry:           !s.AtDesk && some(open, runningOut),
		event.LookAtTube:      some(open, func(f Finding) bool { return slices.Contains(f.Reasons, event.ReasonFrozen) && !lost(f) }),
		event.SpinButHold: s.Unspun && some(open, lost) &&
			some(all, func(f Finding) bool { return alive(f) && f.EndsBySpin && !f.Done && !s.Gone }),
		event.AskLaboratory: s.Irreplaceable && some(open, lost) ||
			some(open, func(f Finding) bool { return f.Verdict == event.NotStudiedBeyond || f.Verdict == event.CannotSay }) && !some(open, lost),
	}
	for _, a := range event.Actions() {
		if fits[a] {
			return a
		}
	}
	if some(open, lost) {
		return event.AskNewSample
	}
	return event.AskLaboratory
}

// alive reports whether a test can still be saved as far as anybody knows.
func alive(f Finding) bool {
	switch f.Verdict {
	case event.PastLimit, event.WrongTube:
		return false
	default:
		return true
	}
}

func some(fs []Finding, is func(Finding) bool) bool { return slices.ContainsFunc(fs, is) }

func compareTests(a, b event.FlagTest) int {
	switch {
	case a.Verdict.Worse(b.Verdict):
		return -1
	case b.Verdict.Worse(a.Verdict):
		return 1
	case a.Assay < b.Assay:
		return -1
	case a.Assay > b.Assay:
		return 1
	default:
		return 0
	}
}

// Reconcile gives the one fact that makes the log say what is wanted, or nil.
// open is the open episode's flag when isOpen; last is the number of the last
// episode there ever was.
func Reconcile(open event.Flag, isOpen bool, last int64, want event.Flag, wanted bool) event.Fact {
	switch {
	case !isOpen && !wanted:
		return nil
	case !isOpen:
		want.Episode = last + 1
		return event.FlagRaised{Flag: want}
	case !wanted:
		return event.FlagCleared{Episode: open.Episode, Reason: "settled"}
	case Same(open, want):
		return nil
	default:
		want.Episode = open.Episode
		return event.FlagChanged{Flag: want}
	}
}

// Same reports whether two flags tell a person the same. The instant to which the
// advice can be followed moves with every reading and is not a change by itself.
func Same(a, b event.Flag) bool {
	return a.Kind == b.Kind && a.Verdict == b.Verdict && a.Action == b.Action &&
		slices.EqualFunc(a.Tests, b.Tests, func(x, y event.FlagTest) bool {
			return x.Assay == y.Assay && x.Verdict == y.Verdict && x.Outlook == y.Outlook && x.Direction == y.Direction &&
				x.Rule == y.Rule && slices.Equal(x.Reasons, y.Reasons)
		})
}
