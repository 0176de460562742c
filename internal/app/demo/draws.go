package demo

import (
	"fmt"
	"strings"

	"specimen.example/custody/internal/event"
)

// draw is one puncture with its tubes.
type draw struct {
	number        int
	patient       string // invented number
	at            int    // minute of the needle
	by            post
	priority      string // empty: routine
	conditions    []string
	irreplaceable bool
	// unscanned: nobody scanned the collection; the tubes are first seen at reception.
	unscanned bool
	tubes     []tube
}

func (d *draw) id() string      { return fmt.Sprintf("DRAW-%02d", d.number) }
func (d *draw) request() string { return fmt.Sprintf("REQ-%02d", d.number) }

// fate is how far a tube got by now.
type fate int

const (
	onTheWay fate = iota // as far as its box is
	lost                 // packed, and not in its box when that was emptied
	atDesk               // received
	atWork               // received and accepted at the bench
	finished             // spun where it is spun, measured, put into the cold store
)

// tube is one tube of the scenario.
type tube struct {
	number  int
	kind    string // tube type of the starter catalogue
	tests   string // codes of the starter catalogue, separated by blanks; empty: nobody told
	in      string // carrier it travels in; empty: carried by hand
	early   bool   // spun at the clinic before it was packed
	fate    fate
	keeps   bool
	verdict event.Verdict
	shows   string
}

func (t *tube) list() []string { return strings.Fields(t.tests) }

// spins tells tubes that the bench spins from those it runs as whole blood.
func spins(kind string) bool { return kind != "EDTA" }

// draws are the tubes of the scenario, in the order of their numbers.
var draws = []draw{
	{number: 1, patient: "P-7101", at: -238, by: atNorth, tubes: []tube{
		{1, "LIHEP-GEL", "K GLU CREA", "BOX-1", true, finished, true, event.WithinLimits, "spun in time at North Skerry: every limit ended before it was used up"},
		{2, "SERUM-GEL", "NA ALT ALB", "BOX-1", true, finished, true, event.WithinLimits, "serum that clotted for half an hour and was spun at the clinic"},
		{3, "EDTA", "CBC", "BOX-1", false, finished, true, event.WithinLimits, "blood count, run in time"},
	}},
	{number: 2, patient: "P-7102", at: -232, by: atNorth, tubes: []tube{
		{4, "LIHEP", "GLU K", "BOX-1", false, atDesk, true, event.PastLimit, "glucose not spun for hours: past its limit, may read low; another tube of the draw can serve it"},
		{5, "FLUORIDE", "GLU", "BOX-1", false, atDesk, true, event.WithinLimits, "the fluoride tube of the same draw: still good for glucose"},
	}},
	{number: 3, patient: "P-7103", at: -226, by: atNorth, tubes: []tube{
		{6, "LIHEP-GEL", "K CREA", "BAG-1", false, atDesk, true, event.CannotSay, "its bag's logger stopped on the ferry: temperature only assumed from there on"},
		{7, "EDTA", "CBC", "BAG-1", false, atDesk, true, event.CannotSay, "blood count out of the same bag: cannot say either"},
	}},
	{number: 4, patient: "P-7104", at: -205, by: atNorth, tubes: []tube{
		{8, "EDTA", "ESR", "BOX-1", false, atDesk, true, event.WithinLimits, "sedimentation rate: running out, run it now (past its limit half an hour after the start)"},
		{9, "CITRATE", "INR APTT", "BOX-1", false, atWork, false, event.WithinLimits, "clotting times; whether the patient has heparin was not stated, so both answers are shown"},
	}},
	{number: 5, patient: "P-7105", at: -216, by: atNorth, tubes: []tube{
		{10, "EDTA", "K CBC", "BOX-1", false, atDesk, true, event.WrongTube, "potassium ordered on an EDTA tube: wrong tube"},
	}},
	{number: 6, patient: "P-7106", at: -214, by: atNorth, irreplaceable: true, priority: "urgent", tubes: []tube{
		{11, "LIHEP", "GLU", "BOX-1", false, atDesk, true, event.PastLimit, "drawn before treatment began and irreplaceable: past its limit, so run it and talk to the laboratory"},
	}},
	{number: 7, patient: "P-7107", at: -212, by: atNorth, tubes: []tube{
		{12, "LIHEP-GEL", "CREA UREA NA", "BOX-1", false, lost, true, event.WithinLimits, "packed and not in its box when that was emptied: missing"},
		{13, "EDTA", "CBC", "BOX-1", false, finished, false, event.WithinLimits, "its neighbour, which did arrive"},
	}},
	{number: 8, patient: "P-7108", at: -210, by: atNorth, tubes: []tube{
		{14, "LIHEP-GEL", "CREA CRP NA", "BOX-1", false, finished, false, event.WithinLimits, "an ordinary tube: received, spun, measured, stored"},
		{15, "SERUM-GEL", "BILI ALB TP", "BOX-1", false, finished, false, event.WithinLimits, "an ordinary serum tube"},
		{16, "EDTA", "none", "BOX-1", false, atDesk, true, event.NoLimitAdopted, "only moved, for a study: custody only"},
	}},
	{number: 9, patient: "P-7109", at: -146, by: atGull, tubes: []tube{
		{17, "LIHEP-GEL", "K NA", "BOX-2", false, atDesk, true, event.PastLimit, "stood in the sun on the quay: potassium past its limit by heat, may read low"},
		{18, "SERUM-GEL", "NA TP", "BOX-2", false, atWork, false, event.WithinLimits, "same box, but these tests were studied up to 35 °C"},
	}},
	{number: 10, patient: "P-7110", at: -140, by: atGull, tubes: []tube{
		{19, "LIHEP-GEL", "K CRP", "BOX-2", false, atDesk, true, event.PastLimit, "the sun again; of CRP in that heat nothing is known"},
		{20, "EDTA", "CBC", "BOX-2", false, atDesk, true, event.CannotSay, "blood count warmer than it was studied"},
	}},
	{number: 11, patient: "P-7111", at: -136, by: atGull, tubes: []tube{
		{21, "LIHEP-GEL", "K CREA", "BOX-3", false, atDesk, true, event.PastLimit, "lay against ice: potassium past its limit by cold, may read high"},
		{22, "CITRATE", "INR", "BOX-3", false, atDesk, true, event.PastLimit, "chilled citrate: the cold may activate a clotting factor"},
	}},
	{number: 12, patient: "P-7112", at: -130, by: atGull, tubes: []tube{
		{23, "SERUM-GEL", "K NA", "BOX-3", false, atDesk, true, event.PastLimit, "serum out of the cold box"},
	}},
	{number: 13, patient: "P-7113", at: -126, by: atGull, priority: "urgent", tubes: []tube{
		{24, "LIHEP", "AMM", "ICE-1", false, atDesk, true, event.NotStudiedBeyond, "ammonia on ice for longer than anybody studied: ask the laboratory"},
		{25, "EDTA", "ACTH", "ICE-1", false, atWork, false, event.WithinLimits, "the ice pouch did for this one what it should"},
	}},
	{number: 14, patient: "P-7114", at: -122, by: atGull, tubes: []tube{
		{26, "LIHEP-GEL", "LIPA", "ICE-1", false, atDesk, true, event.NoLimitAdopted, "a test for which no limit is adopted on this tube"},
	}},
	{number: 15, patient: "P-7115", at: -119, by: atGull, tubes: []tube{
		{27, "SERUM", "", "ICE-1", false, atDesk, true, event.CannotSay, "nobody told what shall be tested"},
	}},
	{number: 16, patient: "P-7116", at: -120, by: atGull, unscanned: true, tubes: []tube{
		{28, "LIHEP-GEL", "K CREA", "", false, atDesk, true, event.CannotSay, "received without a collection time"},
	}},
	{number: 17, patient: "P-7117", at: -58, by: atGull, priority: "urgent", tubes: []tube{
		{29, "LIHEP", "GLU K", "BOX-4", false, onTheWay, false, event.WithinLimits, "glucose on the ferry: running out, and by the timetable it arrives too late"},
		{30, "EDTA", "CBC", "BOX-4", false, onTheWay, false, event.WithinLimits, "on the ferry now, with a due time"},
	}},
	{number: 18, patient: "P-7118", at: -50, by: atGull, tubes: []tube{
		{31, "LIHEP-GEL", "GLU CREA", "BOX-4", false, onTheWay, false, event.WithinLimits, "glucose with four fifths of its limit used: running out"},
		{32, "SERUM-GEL", "NA ALB K", "BOX-4", false, onTheWay, false, event.WithinLimits, "on the ferry, in time"},
	}},
	{number: 19, patient: "P-7119", at: -44, by: atGull, conditions: []string{"unfractionated-heparin=yes"}, priority: "urgent", tubes: []tube{
		{33, "CITRATE", "APTT", "BOX-4", false, onTheWay, false, event.WithinLimits, "patient on heparin: this limit is one hour, not six"},
		{34, "LIHEP-GEL", "K CREA CRP", "BOX-4", false, onTheWay, false, event.WithinLimits, "same draw, plenty of time"},
	}},
	{number: 20, patient: "P-7120", at: -37, by: atGull, tubes: []tube{
		{35, "SERUM", "TSH FT4", "BOX-4", false, onTheWay, false, event.WithinLimits, "plain serum on the ferry"},
		{36, "EDTA", "GS", "BOX-4", false, onTheWay, false, event.WithinLimits, "for a group and screen; transfused or not was not stated"},
		{37, "EDTA", "ACTH", "ICE-2", false, onTheWay, false, event.WithinLimits, "in an ice pouch inside the box"},
	}},
	{number: 21, patient: "P-7121", at: -27, by: atGull, tubes: []tube{
		{38, "SERUM-GEL", "NA ALB", "BOX-4", false, onTheWay, false, event.Wait, "still clotting on the ferry"},
		{39, "EDTA", "CBC", "BOX-4", false, onTheWay, false, event.WithinLimits, "on the ferry"},
	}},
	{number: 22, patient: "P-7122", at: -14, by: atGull, tubes: []tube{
		{40, "SERUM-GEL", "NA ALB TP", "BOX-5", false, onTheWay, false, event.Wait, "in the next box, still on the island"},
		{41, "LIHEP-GEL", "K CREA", "BOX-5", false, onTheWay, false, event.WithinLimits, "in the next box"},
	}},
	{number: 23, patient: "P-7123", at: -6, by: atGull, tubes: []tube{
		{42, "LIHEP-GEL", "CREA CRP", "BOX-5", false, onTheWay, false, event.WithinLimits, "in the next box"},
		{43, "EDTA", "CBC", "BOX-5", false, onTheWay, false, event.WithinLimits, "in the next box"},
	}},
	{number: 24, patient: "P-7124", at: -11, by: atBlood, tubes: []tube{
		{44, "SERUM", "K TSH", "", false, atDesk, false, event.Wait, "received a few minutes ago: let it clot first"},
		{45, "EDTA", "CBC", "", false, atDesk, false, event.WithinLimits, "drawn beside the laboratory"},
	}},
}
