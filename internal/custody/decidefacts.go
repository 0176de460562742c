package custody

import (
	"slices"
	"strconv"
	"strings"

	"specimen.example/custody/internal/event"
)

func prepare(d *deciding) ([]event.Fact, error) {
	return one(event.TubePrepared{Type: d.s.Type, Patient: d.s.Patient, Request: d.s.Request, Tests: d.s.Tests})
}

func placeRequest(d *deciding) ([]event.Fact, error) {
	s := d.s
	list := commaList(d.detail("conditions"))
	for _, c := range list {
		if len(conditions([]string{c})) == 0 {
			return nil, invalid("details.conditions", "write %q as name=yes or name=no", c)
		}
	}
	only, err := d.yes("irreplaceable")
	if err != nil {
		return nil, err
	}
	facts := []event.Fact{event.RequestPlaced{Patient: s.Patient, Tests: s.Tests, Priority: d.detail("priority"), Conditions: list,
		Destination: d.firstOf(d.detail("destination"), s.To), Irreplaceable: only}}
	for _, tube := range s.Tubes {
		facts = append(facts, event.TubeAssigned{Tube: tube, Type: s.Type, Tests: s.Tests})
	}
	return facts, nil
}

// yes reads a detail that is yes or no; absent is no.
func (d *deciding) yes(key string) (bool, error) {
	switch d.detail(key) {
	case "", "no":
		return false, nil
	case "yes":
		return true, nil
	}
	return false, invalid("details."+key, "write yes or no")
}

// commaList cuts a list at its commas and drops empty parts.
func commaList(list string) []string {
	var out []string
	for part := range strings.SplitSeq(list, ",") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

func addTests(d *deciding) ([]event.Fact, error) {
	return perTest(d, func(test string) event.Fact { return event.TestAdded{Test: test} })
}

func withdrawTests(d *deciding) ([]event.Fact, error) {
	return perTest(d, func(test string) event.Fact { return event.TestWithdrawn{Test: test} })
}

func perTest(d *deciding, fact func(string) event.Fact) ([]event.Fact, error) {
	if len(d.s.Tests) == 0 {
		return nil, invalid("tests", "name at least one test")
	}
	var facts []event.Fact
	for _, test := range d.s.Tests {
		facts = append(facts, fact(test))
	}
	return facts, nil
}

func startDraw(d *deciding) ([]event.Fact, error) {
	checks := commaList(d.detail("checks"))
	if d.s.Step == "wristband" && !slices.Contains(checks, "wristband") {
		checks = append([]string{"wristband"}, checks...)
	}
	patient := d.s.Patient
	if d.stated() {
		patient = d.w.Patient(d.s.Row)
	}
	return one(event.DrawStarted{Patient: patient, Meant: d.s.Row, Site: d.detail("site"), Method: d.detail("method"), Checks: checks})
}

func askSample(d *deciding) ([]event.Fact, error) {
	tubes := slices.Clone(d.s.Tubes)
	if d.s.Target.Kind == event.KindTube && !slices.Contains(tubes, d.s.Target.Key) {
		tubes = append([]event.Key{d.s.Target.Key}, tubes...)
	}
	if draw, ok := d.w.Draw(d.into.Key); ok && len(tubes) == 0 {
		tubes = draw.Tubes // one needle, not six: the whole draw unless said otherwise
	}
	return one(event.RecollectionAsked{Tubes: tubes, Tests: d.s.Tests, Reason: d.s.Reason, Note: d.s.Note})
}

func sampleDone(d *deciding) ([]event.Fact, error) {
	key := event.Key(d.detail("new-draw"))
	if key == "" && d.s.Draw != d.into.Key {
		key = d.s.Draw
	}
	if key != "" && !key.Valid() {
		return nil, invalid("details.new-draw", "%q is no key of a draw", key)
	}
	return one(event.RecollectionDone{NewDraw: key})
}

func collect(d *deciding) ([]event.Fact, error) {
	s := d.s
	volume, err := microlitres(d.detail("volume"))
	if err != nil {
		return nil, err
	}
	return one(event.Collected{Type: s.Type, Patient: d.bandPatient(), Draw: d.drawKey(), Request: s.Request, Tests: s.Tests, VolumeUl: volume,
		Lot: d.detail("lot"), Expiry: d.detail("expiry")})
}

// microlitres reads "4.5 ml", "4500 ul" or a bare number of microlitres.
func microlitres(text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	number, decimals := strings.TrimSpace(strings.ToLower(text)), 0
	switch {
	case strings.HasSuffix(number, "ml"):
		number, decimals = strings.TrimSuffix(number, "ml"), 3
	case strings.HasSuffix(number, "ul"):
		number = strings.TrimSuffix(number, "ul")
	case strings.HasSuffix(number, "µl"):
		number = strings.TrimSuffix(number, "µl")
	}
	n, ok := decimal(strings.TrimSpace(number), decimals)
	if !ok || n < 0 {
		return 0, invalid("details.volume", "write the volume as 4.5ml or 4500ul")
	}
	return n, nil
}

// decimal reads a decimal number exactly as an integer of 10^-places; further
// digits are refused rather than rounded.
func decimal(text string, places int) (int64, bool) {
	whole, frac, _ := strings.Cut(text, ".")
	if len(frac) > places || len(whole) > 12 || strings.ContainsAny(frac, "+-") {
		return 0, false
	}
	n, err := strconv.ParseInt(whole+frac+strings.Repeat("0", places-len(frac)), 10, 64)
	return n, err == nil && whole != ""
}

func pack(d *deciding) ([]event.Fact, error) {
	if d.s.Carrier == "" {
		return nil, invalid("carrier", "name what it goes into")
	}
	if d.into.Kind == event.KindCarrier {
		if d.s.Carrier == d.into.Key {
			return nil, invalid("carrier", "a carrier can't go into itself")
		}
		if d.s.Mode != event.Reported && slices.Contains(d.w.chainOf(d.s.Carrier, d.s.Occurred, nil), d.into.Key) {
			return nil, invalid("carrier", "it is inside the carrier that would go into it; unpack it first")
		}
	}
	return one(event.Packed{Carrier: d.s.Carrier})
}

// rack packs into the rack; the reason of an override goes with it.
func rack(d *deciding) ([]event.Fact, error) {
	facts, err := pack(d)
	return d.overriding(facts), err
}

// overriding adds the override that was given with the step itself.
func (d *deciding) overriding(facts []event.Fact) []event.Fact {
	reason := d.detail("override")
	if reason == "" || d.into.Kind != event.KindTube || len(facts) == 0 {
		return facts
	}
	var episode int64
	if d.tube != nil && d.tube.Flag.Open {
		episode = d.tube.Flag.Flag.Episode
	}
	return append(facts, event.FlagOverridden{Episode: episode, Reason: reason, Note: d.s.Note})
}

// count reads how many tubes were counted; absent is 0. Only a carrier holds tubes.
func (d *deciding) count() (int64, error) {
	text := d.detail("count")
	if text == "" {
		return 0, nil
	}
	n, ok := decimal(text, 0)
	switch {
	case !ok || n < 0:
		return 0, invalid("details.count", "write a whole number")
	case d.into.Kind != event.KindCarrier:
		return 0, invalid("details.count", "only what is inside a carrier is counted")
	}
	return n, nil
}

func seal(d *deciding) ([]event.Fact, error) {
	n, err := d.count()
	return []event.Fact{event.Sealed{Seal: d.detail("seal"), Count: n}}, err
}

func empty(d *deciding) ([]event.Fact, error) {
	n, err := d.count()
	return []event.Fact{event.Emptied{Count: n}}, err
}

func release(d *deciding) ([]event.Fact, error) {
	n, err := d.count()
	return []event.Fact{event.Released{To: d.s.To, Mode: d.detail("mode"), Count: n, Seal: d.detail("seal")}}, err
}

func take(d *deciding) ([]event.Fact, error) {
	n, err := d.count()
	return []event.Fact{event.TakenOver{
		From: d.s.From, Mode: d.detail("mode"), Count: n, Seal: d.detail("seal"), Condition: d.detail("condition"),
	}}, err
}

func open(d *deciding) ([]event.Fact, error) {
	if d.into.Kind == event.KindCarrier {
		return one(event.SealBroken{Seal: d.detail("seal")})
	}
	return one(event.Opened{})
}

func depart(d *deciding) ([]event.Fact, error) {
	route := d.detail("route")
	if route == "" {
		return one(event.Departed{Mode: d.detail("mode"), To: d.s.To})
	}
	key, err := event.LocalKey(route)
	if err != nil {
		return nil, invalid("details.route", "%v", err)
	}
	return one(event.Departed{Mode: d.detail("mode"), Route: key, To: d.s.To})
}

// receive: a tube is received; a carrier arrives and is taken over by the place.
func receive(d *deciding) ([]event.Fact, error) {
	if d.into.Kind == event.KindCarrier {
		n, err := d.count()
		return []event.Fact{event.Arrived{}, event.TakenOver{
			From: d.s.From, Count: n, Seal: d.detail("seal"), Condition: d.detail("condition"),
		}}, err
	}
	if _, err := d.count(); err != nil {
		return nil, err
	}
	facts := []event.Fact{event.Received{From: d.s.From, Condition: d.detail("condition"), Type: d.s.Type, Carrier: d.s.Carrier}}
	if d.detail("as") != "" {
		facts = append(facts, event.DefectNoted{Defect: string(event.DoubtUnlabelled), Note: d.s.Note})
	}
	return facts, nil
}

func accept(d *deciding) ([]event.Fact, error) {
	deviates, err := d.yes("deviation")
	if err != nil {
		return nil, err
	}
	authoriser := d.firstOf(d.detail("authoriser"), d.s.Witness)
	if !deviates && d.detail("authoriser") == "" && d.detail("report") == "" {
		return one(event.AcceptedForTesting{})
	}
	if authoriser == "" {
		return nil, invalid("details.authoriser", "name who allows the deviation")
	}
	return one(event.AcceptedWithDeviation{Authoriser: authoriser, Reason: d.s.Reason, ReportText: d.detail("report"), Note: d.s.Note})
}

var handlings = []string{"on-ice", "in-foil", "flask-37", "upright"}

func attest(d *deciding) ([]event.Fact, error) {
	what := d.detail("handling")
	if !slices.Contains(handlings, what) {
		return nil, invalid("details.handling", "say one of %s", strings.Join(handlings, ", "))
	}
	from, err := d.instant("from")
	if err != nil {
		return nil, err
	}
	until, err := d.instant("until")
	if err != nil {
		return nil, err
	}
	if from == 0 {
		from = d.s.Occurred
	}
	if until != 0 && until < from {
		return nil, invalid("details.until", "it ends before it begins")
	}
	return one(event.HandlingAttested{Handling: what, From: from, Until: until})
}

// load names a spin load: by its own detail, else the rack that was named.
func (d *deciding) load() (event.Key, error) {
	text := d.detail("load")
	if text == "" {
		return d.s.Carrier, nil
	}
	key, err := event.LocalKey(text)
	if err != nil {
		return "", invalid("details.load", "%v", err)
	}
	return key, nil
}

func spin(d *deciding) ([]event.Fact, error) {
	load, err := d.load()
	if err != nil {
		return nil, err
	}
	var numbers [2]int64
	for i, key := range []string{"g", "minutes"} {
		text := d.detail(key)
		if text == "" {
			continue
		}
		n, ok := decimal(text, 0)
		if !ok || n < 0 {
			return nil, invalid("details."+key, "write a whole number")
		}
		numbers[i] = n
	}
	return d.overriding([]event.Fact{event.SpinStarted{Load: load, Programme: d.detail("programme"), G: numbers[0], Minutes: numbers[1]}}), nil
}

func endSpin(d *deciding) ([]event.Fact, error) {
	load, err := d.load()
	if err != nil {
		return nil, err
	}
	return one(event.SpinEnded{Load: load})
}

func failSpin(d *deciding) ([]event.Fact, error) {
	load, err := d.load()
	if err != nil {
		return nil, err
	}
	return one(event.SpinFailed{Load: load, Reason: d.s.Reason})
}

// parent checks the tube that a child or a new label names.
func (d *deciding) parent() error {
	switch d.s.Parent {
	case "":
		return invalid("parent", "name the tube it comes from")
	case d.into.Key:
		return invalid("parent", "a tube can't come from itself")
	}
	return nil
}

func derive(d *deciding) ([]event.Fact, error) {
	if err := d.parent(); err != nil {
		return nil, err
	}
	return one(event.DerivedFrom{Parent: d.s.Parent, Type: d.s.Type, Tests: d.s.Tests})
}

func relabel(d *deciding) ([]event.Fact, error) {
	if err := d.parent(); err != nil {
		return nil, err
	}
	return one(event.SameMaterialAs{Tube: d.s.Parent, Reason: d.s.Reason, Note: d.s.Note})
}

// reidentify corrects whom a tube belongs to. It is never said without a reason.
func reidentify(d *deciding) ([]event.Fact, error) {
	switch {
	case d.s.Patient == "":
		return nil, invalid("patient", "name the patient it belongs to")
	case d.s.Reason == "" && len(d.s.Note.Box) == 0:
		return nil, invalid("reason", "say why it belongs to another patient")
	}
	return one(event.Reidentified{Patient: d.s.Patient, Request: d.s.Request, Reason: d.s.Reason, Note: d.s.Note})
}

func split(d *deciding) ([]event.Fact, error) {
	if len(d.s.Tubes) < 2 {
		return nil, invalid("tubes", "name the two numbers the tubes have now")
	}
	if slices.Contains(d.s.Tubes, d.into.Key) {
		return nil, invalid("tubes", "the shared number ends; give every tube a new one")
	}
	return one(event.SplitInto{Tubes: d.s.Tubes})
}

var measurings = []string{"measured", "set-up", "tested", "transfused"}

func measure(d *deciding) ([]event.Fact, error) {
	what := d.firstOf(d.detail("what"), "measured")
	if !slices.Contains(measurings, what) {
		return nil, invalid("details.what", "say one of %s", strings.Join(measurings, ", "))
	}
	return one(event.Measured{What: what, Tests: d.s.Tests})
}

func store(d *deciding) ([]event.Fact, error) {
	return one(event.Stored{Place: d.firstOf(d.detail("store"), d.s.To, d.s.Place)})
}

func refer(d *deciding) ([]event.Fact, error) {
	if d.s.To == "" {
		return nil, invalid("to", "name the laboratory it is sent to")
	}
	due, err := d.instant("due")
	if err != nil {
		return nil, err
	}
	return one(event.Referred{To: d.s.To, Due: due})
}

func attach(d *deciding) ([]event.Fact, error) {
	if d.s.Carrier != "" {
		return one(event.LoggerAttached{To: d.s.Carrier, ToKind: string(event.KindCarrier)})
	}
	key := placeKey(d.firstOf(d.detail("place"), d.s.To, d.s.Place))
	if key == "" {
		return nil, invalid("carrier", "name the carrier or the place it is on")
	}
	return one(event.LoggerAttached{To: key, ToKind: string(event.KindPlace)})
}

func calibrate(d *deciding) ([]event.Fact, error) {
	text := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(strings.TrimSuffix(d.detail("uncertainty"), "C")), "°"))
	centi, ok := decimal(text, 2)
	if !ok || centi < 0 {
		return nil, invalid("details.uncertainty", "write degrees with at most two decimals, such as 0.25")
	}
	due, err := d.instant("due")
	if err != nil {
		return nil, err
	}
	return one(event.LoggerCalibrated{UncertaintyCenti: centi, Due: due})
}

// void: what is voided must be known, unless the void itself was reported late
// and its fact may still be on the way.
func void(d *deciding) ([]event.Fact, error) {
	id := d.detail("scan")
	if id == "" {
		return nil, invalid("details.scan", "name the scan that is taken back")
	}
	if d.s.Mode != event.Reported && d.w.Record(d.into, id) == nil {
		return nil, invalid("details.scan", "there is no scan %q of this %s", id, d.into.Kind)
	}
	return one(event.Voided{Scan: id, Reason: d.s.Reason, Note: d.s.Note})
}

// explain closes one doubt by its id, or all open ones of a word.
func explain(d *deciding) ([]event.Fact, error) {
	name := d.detail("doubt")
	var facts []event.Fact
	for _, o := range d.w.DoubtsOf(d.into, 0) {
		if name == o.ID || name == string(o.Doubt) || name == "" {
			facts = append(facts, event.DoubtClosed{ID: o.ID, By: "person", Reason: d.s.Reason, Note: d.s.Note})
		}
	}
	switch {
	case len(facts) > 0 && (name != "" || len(facts) == 1):
		return facts, nil
	case name == "":
		return nil, invalid("details.doubt", "name the doubt; %d are open", len(facts))
	case d.s.Mode == event.Reported && !slices.Contains(event.Doubts(), event.Doubt(name)):
		return one(event.DoubtClosed{ID: name, By: "person", Reason: d.s.Reason, Note: d.s.Note})
	}
	return nil, invalid("details.doubt", "no such doubt is open")
}

// episode is the episode an acknowledgement answers: as said, else the open one.
func (d *deciding) episode(needed bool) (int64, error) {
	if text := d.detail("episode"); text != "" {
		n, ok := decimal(text, 0)
		if !ok || n <= 0 {
			return 0, invalid("details.episode", "write the number of the episode")
		}
		return n, nil
	}
	switch {
	case d.tube != nil && d.tube.Flag.Open:
		return d.tube.Flag.Flag.Episode, nil
	case needed && d.s.Mode != event.Reported:
		return 0, invalid("label", "no flag is raised for this tube")
	}
	return 0, nil
}

func takeFlag(d *deciding) ([]event.Fact, error) {
	n, err := d.episode(true)
	if err != nil {
		return nil, err
	}
	return one(event.FlagTaken{Episode: n})
}

func override(d *deciding) ([]event.Fact, error) {
	n, err := d.episode(false)
	if err != nil {
		return nil, err
	}
	if d.s.Reason == "" && len(d.s.Note.Box) == 0 {
		return nil, invalid("reason", "say why the tube shall pass")
	}
	return one(event.FlagOverridden{Episode: n, Reason: d.s.Reason, Note: d.s.Note})
}

func actFlag(d *deciding) ([]event.Fact, error) {
	n, err := d.episode(true)
	if err != nil {
		return nil, err
	}
	action := event.Action(d.detail("action"))
	if !slices.Contains(event.Actions(), action) {
		return nil, invalid("details.action", "there is no action %q", action)
	}
	return one(event.FlagActed{Episode: n, Action: string(action)})
}

func putAside(d *deciding) ([]event.Fact, error) {
	n, err := d.episode(true)
	if err != nil {
		return nil, err
	}
	until, err := d.instant("until")
	if err != nil {
		return nil, err
	}
	if until <= d.s.Occurred {
		return nil, invalid("details.until", "say when it shall come back")
	}
	return one(event.FlagPutAside{Episode: n, Until: until, Reason: d.s.Reason})
}
