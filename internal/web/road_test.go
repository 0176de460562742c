package web

import (
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
)

// played is what a round came to.
type played struct {
	Scans, Said, Notices, Undo, Held, Order, Dues []string
	Screen                                        map[string]any
	Here                                          string
	Leg                                           map[string]any
	Waits                                         map[string][]string
	Boxes, In                                     map[string]string
}

// roadPlayer plays rounds through the pure flow in one page.
func roadPlayer(t *testing.T) func(by, here, doings string, keep bool) played {
	t.Helper()
	server := httptest.NewServer(quiet(Story{}))
	t.Cleanup(server.Close)
	p := browsertest.Open(t, server.URL+"/road", browsertest.Phone)
	round, err := os.ReadFile("testdata/round.json")
	if err != nil {
		t.Fatal(err)
	}
	player, err := os.ReadFile("testdata/road.js")
	if err != nil {
		t.Fatal(err)
	}
	at := Site{}.Asset("")
	return func(by, here, doings string, keep bool) played {
		t.Helper()
		list, err := json.Marshal(strings.Split(doings, "; "))
		if err != nil {
			t.Fatal(err)
		}
		var got played
		p.Eval(fmt.Sprintf("(%s)(location.origin + %q, %s, %q, %q, %s, %v)", player, at, round, by, here, list, keep), &got)
		return got
	}
}

// The flow of a round: what each read and press records, and what is asked next.
func TestRoadFlow(t *testing.T) {
	play := roadPlayer(t)
	for _, c := range []struct {
		name, here, doings string
		scans              string // all of them, "; " between
		screen             string
		said               string // the last, "" for any
	}{
		// Packing, the box or the tube first.
		{"box first", "HARBOUR", "press pack BOX-4; read DEMO-0151; read DEMO-0152",
			"pack DEMO-0151 carrier=BOX-4 at=HARBOUR; pack DEMO-0152 carrier=BOX-4 at=HARBOUR", "pack", "good road.say-packed DEMO-0152 BOX-4 2"},
		{"tube first", "HARBOUR", "read DEMO-0151; read BOX-4; read DEMO-0152",
			"pack DEMO-0151 carrier=BOX-4 at=HARBOUR; pack DEMO-0152 carrier=BOX-4 at=HARBOUR", "pack", "good road.say-packed DEMO-0152 BOX-4 2"},
		{"a tube that is in it", "HARBOUR", "press pack BOX-4; read DEMO-0131", "", "pack", "note road.say-is-in DEMO-0131 BOX-4"},
		{"a tube from another box", "HARBOUR", "press pack BOX-4; read demo-0141", "pack DEMO-0141 carrier=BOX-4 at=HARBOUR", "pack", ""},
		{"a flask into a box", "HARBOUR", "press pack BOX-9; read ICE-1; read BOX-4; read ICE-1", "pack ICE-1 carrier=BOX-9 at=HARBOUR; pack ICE-1 carrier=BOX-4 at=HARBOUR", "pack", ""},
		{"a box into another", "HARBOUR", "press nest BOX-4; read BOX-9", "pack BOX-4 carrier=BOX-9 at=HARBOUR", "pack", "good road.say-packed BOX-4 BOX-9 1"},
		{"out of a box, tube first", "HARBOUR", "press unpack; read DEMO-0132", "unpack DEMO-0132 carrier=BOX-4 at=HARBOUR", "unpack", "good road.say-unpacked DEMO-0132 BOX-4 1"},
		{"out of a box, box first", "HARBOUR", "press unpack BOX-4; read DEMO-0131; read DEMO-0132", "unpack DEMO-0131 carrier=BOX-4 at=HARBOUR; unpack DEMO-0132 carrier=BOX-4 at=HARBOUR", "unpack", ""},
		{"into a sealed box", "HARBOUR", "press pack BOX-2; read BOX-2; read DEMO-0151", "open BOX-2 at=HARBOUR; pack DEMO-0151 carrier=BOX-2 at=HARBOUR", "pack", ""},
		{"the seal of a box comes before what goes in", "HARBOUR", "press pack BOX-2", "", "open", "look road.say-sealed BOX-2 S-771"},
		{"a sealed box, tube first", "HARBOUR", "read DEMO-0151; read BOX-2; read S-771; read DEMO-0152",
			"open BOX-2 seal=S-771 at=HARBOUR; pack DEMO-0151 carrier=BOX-2 at=HARBOUR; pack DEMO-0152 carrier=BOX-2 at=HARBOUR", "pack", ""},
		// Taking over: by scans alone, and by keys.
		{"taken from the hatch without a touch", "HARBOUR", "read BOX-2; read BOX-2", "take BOX-2 from=HARBOUR at=HARBOUR", "receipt", "good road.say-taken BOX-2"},
		{"box, place, yes", "", "read BOX-2; read HARBOUR; read BOX-2", "take BOX-2 from=HARBOUR at=HARBOUR", "receipt", ""},
		{"nobody named", "", "read BOX-2; read BOX-2", "", "take", "note road.say-from-whom"},
		{"the other one is named", "HARBOUR", "read BOX-2; read LENA/person; press handed", "take BOX-2 from=LENA at=HARBOUR", "receipt", ""},
		{"a code that nothing has is a person's", "", "read BOX-2; read lena; press handed", "take BOX-2 from=LENA", "receipt", ""},
		{"one's own code", "", "read BOX-2; read oskar", "", "take", "stop road.say-same-party"},
		{"two at once", "HARBOUR", "read BOX-2; read DEMO-0151; read DEMO-0151", "take BOX-2 from=HARBOUR at=HARBOUR; take DEMO-0151 from=HARBOUR at=HARBOUR", "receipt", "good road.say-taken BOX-2, DEMO-0151"},
		{"with the seal", "HARBOUR", "read BOX-2; read S-771; read BOX-2", "take BOX-2 from=HARBOUR seal=S-771 at=HARBOUR", "receipt", ""},
		{"another seal", "HARBOUR", "read BOX-2; read S-772", "", "take", "look road.say-seal-other S-772 S-771"},
		{"wet", "HARBOUR", "read BOX-2; press condition wet; press handed", "take BOX-2 from=HARBOUR condition=wet at=HARBOUR", "receipt", ""},
		// Counting.
		{"counted, all there", "HARBOUR", "press count BOX-4; read DEMO-0131; read DEMO-0132", "see DEMO-0131 at=HARBOUR; see DEMO-0132 at=HARBOUR", "count", "good road.say-all 2 2"},
		{"one missing, one extra", "HARBOUR", "press give BOX-4; press count BOX-4; read DEMO-0131; read DEMO-0151; read BOX-4; press handed",
			"see DEMO-0131 at=HARBOUR; pack DEMO-0151 carrier=BOX-4 at=HARBOUR; note DEMO-0132 defect=not-in-box at=HARBOUR; release BOX-4 to=HARBOUR count=2 at=HARBOUR", "receipt", ""},
		{"counted twice", "HARBOUR", "press count BOX-4; read DEMO-0131; read DEMO-0131", "see DEMO-0131 at=HARBOUR", "count", "note road.say-counted DEMO-0131"},
		{"a bag counts shut", "HARBOUR", "read BOX-2; press count BOX-2; press opened; read BAG-1; read DEMO-0121; read DEMO-0122; press counted; press handed",
			"open BOX-2 at=HARBOUR; see BAG-1 at=HARBOUR; see DEMO-0121 at=HARBOUR; see DEMO-0122 at=HARBOUR; take BOX-2 from=HARBOUR count=5 at=HARBOUR", "receipt", ""},
		{"a tube begins the count", "NORTH-SKERRY", "read BOX-1; read DEMO-0101", "see DEMO-0101 at=NORTH-SKERRY", "count", "good road.say-count 1 12"},
		// Handing over.
		{"left at the hatch", "", "read BOX-4; read HARBOUR; read BOX-4", "release BOX-4 to=HARBOUR at=HARBOUR", "receipt", "good road.say-given BOX-4"},
		{"given to a person", "HARBOUR", "press give BOX-4; read MIRA/person; press handed", "release BOX-4 to=MIRA at=HARBOUR", "receipt", ""},
		{"a seal that stays shut", "HARBOUR", "read DEMO-0151; read BOX-2; press back; read BOX-4", "pack DEMO-0151 carrier=BOX-4 at=HARBOUR", "pack", ""},
		{"nothing scanned", "HARBOUR", "press give; press handed", "", "give", "look road.say-scan-what"},
		// Seal, logger, what one sees.
		{"sealed", "HARBOUR", "press seal BOX-4; read S-9", "seal BOX-4 seal=S-9 at=HARBOUR", "round", "good road.say-seal-on BOX-4 S-9"},
		{"a box is no seal", "HARBOUR", "press seal BOX-4; read BOX-1", "", "seal", "look road.say-not-a-seal BOX-1"},
		{"logger put on", "HARBOUR", "press box BOX-4; press logger BOX-4; read LOG-77", "attach LOG-77 carrier=BOX-4 at=HARBOUR", "box", "good road.say-logger-on LOG-77 BOX-4"},
		{"logger moved, logger first", "HARBOUR", "read LOG-2; read BOX-4", "attach LOG-2 carrier=BOX-4 at=HARBOUR", "round", ""},
		{"logger seen", "HARBOUR", "press logger ICE-1; read LOG-6", "see ICE-1 at=HARBOUR", "round", "good road.say-logger-seen LOG-6 ICE-1"},
		{"on ice", "HARBOUR", "press handling BOX-4; press attest on-ice", "attest BOX-4 handling=on-ice at=HARBOUR", "round", "good road.say-attested BOX-4"},
		// Driving.
		{"the one way is taken", "HARBOUR", "press leave", "depart BOX-4 route=VAN-LAB at=HARBOUR; depart ICE-1 route=VAN-LAB at=HARBOUR", "moving", ""},
		{"arrived by the label", "HARBOUR", "press leave; read RECEPTION", "depart BOX-4 route=VAN-LAB at=HARBOUR; depart ICE-1 route=VAN-LAB at=HARBOUR; arrive BOX-4 at=RECEPTION; arrive ICE-1 at=RECEPTION", "stop", ""},
		{"left by the van's label", "HARBOUR", "read VAN-2; read VAN-2; read RECEPTION", "depart BOX-4 route=VAN-LAB at=HARBOUR; depart ICE-1 route=VAN-LAB at=HARBOUR; arrive BOX-4 at=RECEPTION; arrive ICE-1 at=RECEPTION", "stop", ""},
		{"arrived by the key", "HARBOUR", "press leave; press arrive", "depart BOX-4 route=VAN-LAB at=HARBOUR; depart ICE-1 route=VAN-LAB at=HARBOUR; arrive BOX-4 at=RECEPTION; arrive ICE-1 at=RECEPTION", "stop", ""},
		{"a box while driving", "HARBOUR", "press leave; read BOX-4", "depart BOX-4 route=VAN-LAB at=HARBOUR; depart ICE-1 route=VAN-LAB at=HARBOUR", "moving", "look road.say-arrive-first"},
		{"where no route leads", "", "press leave; press depart GULL-BAY", "depart BOX-4 to=GULL-BAY; depart ICE-1 to=GULL-BAY", "moving", ""},
		// Labels that the round doesn't have.
		{"unknown, said to be a tube", "HARBOUR", "read X-1; press is tube; read BOX-4", "pack X-1 carrier=BOX-4 at=HARBOUR", "pack", ""},
		{"unknown, a tube by its number", "HARBOUR", "read X-1/tube; read BOX-4", "pack X-1 carrier=BOX-4 at=HARBOUR", "pack", ""},
		{"unknown, said to be a place", "HARBOUR", "read X-1; press is stop; press give BOX-4", "", "give", ""},
		{"taken back", "HARBOUR", "press pack BOX-4; read DEMO-0151; press undo", "pack DEMO-0151 carrier=BOX-4 at=HARBOUR; void DEMO-0151 scan=id-1 at=HARBOUR", "pack", "good road.say-undone"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := play("oskar", c.here, c.doings, true)
			if all := strings.Join(got.Scans, "; "); all != c.scans {
				t.Errorf("recorded\n  %s, want\n  %s", all, c.scans)
			}
			if got.Screen["name"] != c.screen {
				t.Errorf("the screen is %v, want %s", got.Screen, c.screen)
			}
			if c.said != "" && (len(got.Said) == 0 || got.Said[len(got.Said)-1] != c.said) {
				t.Errorf("said %q, want %s at last", got.Said, c.said)
			}
		})
	}
}

// The phone knows where things are without network, from what was scanned on it.
func TestRoadWithoutNetwork(t *testing.T) {
	play := roadPlayer(t)
	whole := "at 08:20; read NORTH-SKERRY; read BOX-1; read BOX-1; press back; at 08:30; press leave; at 09:21; read HARBOUR; read BOX-2; read BOX-2; reload; " +
		"press back; press leave; at 09:31; press arrive; press give; read BOX-1; read BOX-2; read BOX-4; read ICE-1; press handed"
	got := play("oskar", "", whole, true)
	want := "take BOX-1 from=NORTH-SKERRY at=NORTH-SKERRY; depart BOX-4 route=FERRY-NORTH at=NORTH-SKERRY; depart ICE-1 route=FERRY-NORTH at=NORTH-SKERRY; depart BOX-1 route=FERRY-NORTH at=NORTH-SKERRY; " +
		"arrive BOX-4 at=HARBOUR; arrive ICE-1 at=HARBOUR; arrive BOX-1 at=HARBOUR; take BOX-2 from=HARBOUR at=HARBOUR; depart BOX-4 route=VAN-LAB at=HARBOUR; depart ICE-1 route=VAN-LAB at=HARBOUR; " +
		"depart BOX-1 route=VAN-LAB at=HARBOUR; depart BOX-2 route=VAN-LAB at=HARBOUR; arrive BOX-4 at=RECEPTION; arrive ICE-1 at=RECEPTION; arrive BOX-1 at=RECEPTION; arrive BOX-2 at=RECEPTION; " +
		"release BOX-1 to=RECEPTION at=RECEPTION; release BOX-2 to=RECEPTION at=RECEPTION; release BOX-4 to=RECEPTION at=RECEPTION; release ICE-1 to=RECEPTION at=RECEPTION"
	// The order in which boxes leave is that of the round.
	sorted := func(s []string) string { s = slices.Clone(s); slices.Sort(s); return strings.Join(s, "\n") }
	if sorted(got.Scans) != sorted(strings.Split(want, "; ")) {
		t.Errorf("recorded\n%s", strings.Join(got.Scans, "\n"))
	}
	if len(got.Held) != 0 || got.Boxes["BOX-1"] != "RECEPTION|RECEPTION||" || got.Boxes["BAG-1"] != "RECEPTION|RECEPTION||BOX-2" {
		t.Errorf("afterwards the courier holds %q, the boxes are %v", got.Held, got.Boxes)
	}
	// What the server's next answer holds already is not laid over it again.
	if got := play("oskar", "HARBOUR", "press pack BOX-4; read DEMO-0151; renew", true); got.In["DEMO-0151"] != "" {
		t.Errorf("a deed counts over the answer that holds it: %v", got.In)
	}
	// What was refused did not happen.
	if got := play("oskar", "HARBOUR", "press pack BOX-4; read DEMO-0151", false); got.In["DEMO-0151"] != "" || got.Screen["name"] != "pack" {
		t.Errorf("a refused scan counts: %v, %v", got.In, got.Screen)
	}
	// What was taken back lies where it lay.
	if got := play("oskar", "HARBOUR", "press pack BOX-4; read DEMO-0151; press undo", true); got.In["DEMO-0151"] != "" || len(got.Undo) != 0 {
		t.Errorf("a step that was taken back counts: %v", got)
	}
}

// The round: stops in the order of the way, what waits where, what is due first, and
// whether the round makes it.
func TestRoadRound(t *testing.T) {
	play := roadPlayer(t)
	got := play("oskar", "HARBOUR", "press round", true)
	if want := []string{"NORTH-SKERRY", "GULL-BAY", "HARBOUR", "RECEPTION"}; !slices.Equal(got.Order, want) {
		t.Errorf("the stops are %q, want %q", got.Order, want)
	}
	if !slices.Equal(got.Waits["NORTH-SKERRY"], []string{"BOX-1"}) || !slices.Equal(got.Waits["HARBOUR"], []string{"BOX-2", "DEMO-0151"}) || len(got.Waits["RECEPTION"]) != 0 {
		t.Errorf("waiting: %v", got.Waits)
	}
	// What can't be said comes last and is not left out.
	want := []string{"DEMO-0131 no yes 08:45 08:20", "DEMO-0141 no yes 09:30 08:20", "DEMO-0132 unknown unsaid - 08:20"}
	if !slices.Equal(got.Dues, want) {
		t.Errorf("due: %q, want %q", got.Dues, want)
	}
	for _, c := range []struct{ doings, want string }{
		// By 09:29 at the laboratory; 08:45 is the earliest bound and 09:10 the latest.
		{"at 08:20; read NORTH-SKERRY; read BOX-1; press handed", "DEMO-0101 no no 08:45 09:29"},
		{"at 08:46; read NORTH-SKERRY; read BOX-1; press handed", "DEMO-0101 maybe no 08:45 09:29"},
		{"at 09:10; read NORTH-SKERRY; read BOX-1; press handed", "DEMO-0101 maybe no 08:45 09:29"},
		// Over means strictly more than the limit.
		{"at 09:11; read NORTH-SKERRY; read BOX-1; press handed", "DEMO-0101 yes no 08:45 09:29"},
		// The 08:30 was missed, and the server's word is past: the next one leaves at 10:30.
		{"at 09:40; read NORTH-SKERRY; read BOX-1; press handed", "DEMO-0101 yes no 08:45 11:29"},
		// Left at 08:25, an hour's crossing and nine minutes of road behind it.
		{"at 08:20; read NORTH-SKERRY; read BOX-1; press handed; at 08:25; press leave; at 08:26", "DEMO-0101 no no 08:45 09:24"},
		// Late on the way: nobody can promise when it comes.
		{"at 08:20; read NORTH-SKERRY; read BOX-1; press handed; at 08:25; press leave; at 09:16", "DEMO-0101 yes no 08:45 -"},
	} {
		got := play("oskar", "", c.doings, true)
		if !slices.Contains(got.Dues, c.want) {
			t.Errorf("%s: due %q, want %s among them", c.doings, got.Dues, c.want)
		}
	}
	// An alarm is only what the courier can do something about, and only when standing.
	if got := play("oskar", "HARBOUR", "press leave", true); len(got.Notices) != 0 {
		t.Errorf("while driving it says %q", got.Notices)
	}
	got = play("oskar", "HARBOUR", "press leave; press arrive", true)
	if !slices.Equal(got.Notices, []string{"road.do-hurry BOX-4 1"}) {
		t.Errorf("after arriving it says %q", got.Notices)
	}
	if got := play("oskar", "HARBOUR", "press leave; press arrive; press understood", true); len(got.Notices) != 0 {
		t.Errorf("what was understood stays: %q", got.Notices)
	}
}
