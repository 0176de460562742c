package custody

import (
	"maps"
	"slices"

	"specimen.example/custody/internal/event"
)

// step says what one verb takes.
type step struct {
	on      []event.Kind // kinds of target it may name
	details []string     // keys of Details it takes
	facts   func(*deciding) ([]event.Fact, error)
}

var (
	onTube    = []event.Kind{event.KindTube}
	onMoving  = []event.Kind{event.KindTube, event.KindCarrier}
	onCarrier = []event.Kind{event.KindCarrier}
	onLogger  = []event.Kind{event.KindLogger}
	onDraw    = []event.Kind{event.KindDraw}
	onDrawish = []event.Kind{event.KindDraw, event.KindTube}
	onOrder   = []event.Kind{event.KindRequest, event.KindTube}
)

// steps is the table of verbs. It is filled by init because its functions read it.
var steps map[string]step

func init() {
	steps = map[string]step{
		"prepare":       {onTube, nil, prepare},
		"place-request": {[]event.Kind{event.KindRequest}, []string{"priority", "conditions", "destination", "irreplaceable"}, placeRequest},
		"cancel-request": {[]event.Kind{event.KindRequest}, nil, func(d *deciding) ([]event.Fact, error) {
			return one(event.RequestCancelled{Reason: d.s.Reason, Note: d.s.Note})
		}},
		"add-test":      {onOrder, nil, addTests},
		"withdraw-test": {onOrder, nil, withdrawTests},

		"start-draw": {onDraw, []string{"site", "method", "checks"}, startDraw},
		"wristband":  {onDraw, []string{"site", "method", "checks"}, startDraw},
		"fail-collection": {onDrawish, nil, func(d *deciding) ([]event.Fact, error) {
			return one(event.CollectionFailed{Patient: d.s.Patient, Reason: d.s.Reason, Note: d.s.Note})
		}},
		"end-draw": {onDrawish, []string{"after-care", "adverse-event"}, func(d *deciding) ([]event.Fact, error) {
			return one(event.DrawEnded{AfterCare: d.detail("after-care"), AdverseEvent: d.detail("adverse-event"), Note: d.s.Note})
		}},
		"ask-sample": {onDrawish, nil, askSample},
		"decline-sample": {onDrawish, nil, func(d *deciding) ([]event.Fact, error) {
			return one(event.RecollectionDeclined{Reason: d.s.Reason, Note: d.s.Note})
		}},
		"sample-done": {onDrawish, []string{"new-draw"}, sampleDone},

		"collect": {onTube, []string{"volume", "lot", "expiry"}, collect},
		"pack":    {onMoving, nil, pack},
		"rack":    {onMoving, []string{"override"}, rack},
		"unpack":  {onMoving, nil, func(d *deciding) ([]event.Fact, error) { return one(event.Unpacked{Carrier: d.s.Carrier}) }},
		"seal":    {onCarrier, []string{"seal", "count"}, seal},
		"open":    {onMoving, []string{"seal"}, open},
		"empty":   {onCarrier, []string{"count"}, empty},
		"release": {onMoving, []string{"mode", "count", "seal"}, release},
		"take":    {onMoving, []string{"mode", "count", "seal", "condition"}, take},
		"depart":  {onMoving, []string{"mode", "route"}, depart},
		"arrive":  {onMoving, nil, func(*deciding) ([]event.Fact, error) { return one(event.Arrived{}) }},
		"see":     {onMoving, nil, func(*deciding) ([]event.Fact, error) { return one(event.Seen{}) }},
		"destine": {onTube, []string{"place"}, func(d *deciding) ([]event.Fact, error) {
			return one(event.Destined{Place: d.firstOf(d.s.To, d.detail("place"))})
		}},
		"redirect": {onTube, []string{"place"}, func(d *deciding) ([]event.Fact, error) {
			return one(event.Redirected{Place: d.firstOf(d.s.To, d.detail("place"))})
		}},
		"receive": {onMoving, []string{"condition", "as", "count", "seal"}, receive},
		"accept":  {onTube, []string{"deviation", "authoriser", "report"}, accept},
		"reject": {onTube, nil, func(d *deciding) ([]event.Fact, error) {
			return one(event.Rejected{Reason: d.s.Reason, Note: d.s.Note})
		}},
		"note": {[]event.Kind{event.KindTube, event.KindCarrier, event.KindDraw}, []string{"defect"}, func(d *deciding) ([]event.Fact, error) {
			return one(event.DefectNoted{Defect: d.firstOf(d.detail("defect"), d.s.Reason), Note: d.s.Note})
		}},
		"attest":     {onMoving, []string{"handling", "from", "until"}, attest},
		"spin":       {onMoving, []string{"override", "load", "programme", "g", "minutes"}, spin},
		"end-spin":   {onMoving, []string{"load"}, endSpin},
		"fail-spin":  {onMoving, []string{"load"}, failSpin},
		"derive":     {onTube, nil, derive},
		"relabel":    {onTube, nil, relabel},
		"reidentify": {onTube, nil, reidentify},
		"split":      {onTube, nil, split},
		"measure":    {onTube, []string{"what"}, measure},
		"film":       {onTube, nil, func(*deciding) ([]event.Fact, error) { return one(event.FilmMade{}) }},
		"incubate":   {onTube, nil, func(d *deciding) ([]event.Fact, error) { return one(event.IncubationStarted{Tests: d.s.Tests}) }},
		"end-incubation": {onTube, nil, func(d *deciding) ([]event.Fact, error) {
			return one(event.IncubationEnded{Tests: d.s.Tests})
		}},
		"freeze": {onMoving, nil, func(*deciding) ([]event.Fact, error) { return one(event.Frozen{}) }},
		"thaw":   {onMoving, nil, func(*deciding) ([]event.Fact, error) { return one(event.Thawed{}) }},
		"store":  {onMoving, []string{"store"}, store},
		"retrieve": {onMoving, []string{"store"}, func(d *deciding) ([]event.Fact, error) {
			return one(event.Retrieved{Place: d.firstOf(d.detail("store"), d.s.From)})
		}},
		"refer": {onTube, []string{"due"}, refer},
		"discard": {onTube, nil, func(d *deciding) ([]event.Fact, error) {
			return one(event.Disposed{Reason: d.s.Reason, Note: d.s.Note})
		}},
		"issue-result": {onTube, nil, func(d *deciding) ([]event.Fact, error) { return one(event.ResultIssued{Tests: d.s.Tests}) }},
		"declare-lost": {onTube, nil, func(d *deciding) ([]event.Fact, error) {
			return one(event.DeclaredLost{Reason: d.s.Reason, Note: d.s.Note})
		}},
		"find": {onTube, nil, func(*deciding) ([]event.Fact, error) { return one(event.Found{}) }},

		"attach":    {onLogger, []string{"place"}, attach},
		"detach":    {onLogger, nil, func(*deciding) ([]event.Fact, error) { return one(event.LoggerDetached{}) }},
		"calibrate": {onLogger, []string{"uncertainty", "due"}, calibrate},

		"void":      {event.Kinds(), []string{"scan"}, void},
		"explain":   {event.Kinds(), []string{"doubt"}, explain},
		"take-flag": {onTube, []string{"episode"}, takeFlag},
		"override":  {onTube, []string{"episode"}, override},
		"act-flag":  {onTube, []string{"episode", "action"}, actFlag},
		"put-aside": {onTube, []string{"episode", "until"}, putAside},
	}
}

// StepDetails gives the keys of Scan.Details that a step takes, sorted, and
// whether there is such a step. Values are text; instants in them are RFC 3339
// with an offset, lists are separated by commas.
func StepDetails(verb string) ([]string, bool) {
	s, ok := steps[verb]
	return slices.Sorted(slices.Values(s.details)), ok
}

// StepTargets gives the kinds of aggregate that a step may name first.
func StepTargets(verb string) []event.Kind { return steps[verb].on }

// Verbs lists the steps that Decide knows, sorted.
func Verbs() []string { return slices.Sorted(maps.Keys(steps)) }

func one(f event.Fact) ([]event.Fact, error) { return []event.Fact{f}, nil }
