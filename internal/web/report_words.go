package web

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"

	"specimen.example/custody/internal/event"
)

// reportWords is a report in words, ready for the template.
type reportWords struct {
	Report
	Head, When, ZoneName string
	PageURL              string // of the tube's own page; empty for other things
	Facts                []reportFactWords
	Open, Settled        []doubtWordsRow
	Tests                []reportTest
	Temps                []tempWordsRow
	Sums                 []reportFactWords // temperature by evidence
	Whole                string            // how long all of it is
	Decisions            []decisionWords
	Episodes             []episodeWords
	Samples              []sampleWords
	Kin                  []kinWords
	Trips                []tripWords
	TripSaid             string // which of them this tells of
	Contents             []contentWords
	Loggers              []reportLogger
	Corrections          []correctionWords
	Steps, Beside        []entryWords
	Cant                 []string
}

type (
	reportFactWords struct{ Name, Value, URL string }
	tempWordsRow    struct{ From, To, Long, Evidence, Temp, Source string }
	tripWords       struct {
		Name, URL string
		This      bool
	}
	contentWords struct{ Tube, URL, In, Out, Via string }
	reportLogger struct{ ID, On, From, Until, Calibrated, Files string }
	entryWords   struct {
		Seq                           uint64
		Occurred, Recorded, Told      string
		Step, Note, Who, How, ID      string
		Voided                        bool
		Taken, Again, Inherited, Mode string
	}
)

// reportTest is a test of a report: its words, with exact lengths.
type reportTest struct {
	testWords
	Exact    string
	Evidence []reportFactWords
	Rows     []explainWords
	Total    string
}

// Render writes the report as HTML.
func (p Report) Render(w io.Writer, site Site) error {
	c := clockOf(p.Now, p.Zone)
	f := frame{Site: site, Name: "Custody report, " + p.Name, Kind: "report", Sheet: "report.css", Script: "print.js"}
	f.Sheets = site.Base + "/report/paper.css?" + p.paperQuery().Encode()
	f.Page = p.words(site, c)
	return f.render(w)
}

func (p *Report) words(site Site, c clock) reportWords {
	r := reportWords{Report: *p, Head: capital(p.Name), When: c.now.Format("Mon 2 Jan 2006 15:04:05 -07:00"), ZoneName: c.zone.String(), Cant: p.cant()}
	if p.Kind == "tube" {
		r.PageURL = site.TubeURL(p.ID)
	}
	for _, f := range p.Facts {
		r.Facts = append(r.Facts, f.words(site))
	}
	for i := range p.Doubts {
		if d := doubtOf(c.exact(), &p.Doubts[i]); p.Doubts[i].Closed == 0 {
			r.Open = append(r.Open, d)
		} else {
			r.Settled = append(r.Settled, d)
		}
	}
	for i := range p.Tests {
		r.Tests = append(r.Tests, reportTestOf(c.exact(), p.Tests[i]))
	}
	r.temperatures(c)
	for i := range p.Decisions {
		r.Decisions = append(r.Decisions, decisionOf(c.exact(), &p.Decisions[i]))
	}
	for i := range p.Episodes {
		r.Episodes = append(r.Episodes, episodeOf(c.exact(), &p.Episodes[i]))
	}
	for i := range p.Samples {
		r.Samples = append(r.Samples, sampleOf(site, c.exact(), &p.Samples[i]))
	}
	for i := range p.Tubes {
		k := kinOf(site, c.exact(), &p.Tubes[i])
		k.URL = site.ReportURL("tube", p.Tubes[i].ID)
		r.Kin = append(r.Kin, k)
	}
	for i := range p.Corrections {
		r.Corrections = append(r.Corrections, correctionOf(c.exact(), &p.Corrections[i]))
	}
	if p.Kind == "carrier" {
		r.carrier(site, c.exact())
	}
	for i := range p.Steps {
		r.Steps = append(r.Steps, entryOf(c, &p.Steps[i]))
	}
	for i := range p.Beside {
		r.Beside = append(r.Beside, entryOf(c, &p.Beside[i]))
	}
	return r
}

func (f ReportFact) words(site Site) reportFactWords {
	w := reportFactWords{Name: f.Name, Value: f.Value}
	switch {
	case f.Tube != "":
		w.URL = site.ReportURL("tube", f.Tube)
	case f.Draw != "":
		w.URL = site.ReportURL("draw", f.Draw)
	case f.Carrier != "":
		w.URL = site.ReportURL("carrier", f.Carrier)
	}
	return w
}

// temperatures fills in the stretches with their exact lengths and sums.
func (r *reportWords) temperatures(c clock) {
	var sums = map[event.Evidence]int64{}
	var whole int64
	for i := range r.Report.Temps {
		t := &r.Report.Temps[i]
		ms := int64(t.To - t.From)
		sums[t.Evidence] += ms
		whole += ms
		row := tempWordsRow{
			From: c.exact().at(t.From), To: c.exact().at(t.To), Long: exactly(ms), Evidence: says(evidenceWords, t.Evidence), Source: t.Source,
			Temp: rangeWords(t),
		}
		if t.Held {
			row.Source += ", its last reading, which holds for a while"
		}
		r.Temps = append(r.Temps, row)
	}
	for _, n := range sumNames {
		r.Sums = append(r.Sums, reportFactWords{Name: n.word, Value: exactly(sums[n.e.Word()])})
	}
	r.Whole = exactly(whole)
}

func rangeWords(t *ReportTemp) string {
	switch {
	case t.Evidence == event.EvidenceUnknown:
		return "not known"
	case t.Low == t.High:
		return degrees(t.Low)
	}
	return strings.TrimSuffix(degrees(t.Low), " °C") + " to " + degrees(t.High)
}

func reportTestOf(c clock, x TestRow) reportTest {
	t := reportTest{testWords: testOf(c, x)}
	for _, m := range x.Minutes {
		t.Evidence = append(t.Evidence, reportFactWords{Name: says(evidenceWords, m.Evidence), Value: exactly(m.Ms)})
	}
	if x.LimitMs > 0 {
		t.Exact = exactly(x.UsedMs) + " of " + exactly(x.LimitMs)
		if x.BestMs != x.UsedMs {
			t.Exact += " at the worst, " + exactly(x.BestMs) + " at the best"
		}
	}
	var total int64
	for _, e := range x.Explain {
		row := explainWords{From: c.at(e.From), To: c.at(e.To), Evidence: says(evidenceWords, e.Evidence), Band: e.Band, Limit: "none", Used: exactly(e.UsedMs)}
		if e.LimitMs > 0 && !x.Restricted {
			row.Limit = exactly(e.LimitMs)
		}
		t.Rows = append(t.Rows, row)
		total += e.UsedMs
	}
	t.Total = exactly(total)
	return t
}

// carrier fills in what is told of carriers alone.
func (r *reportWords) carrier(site Site, c clock) {
	base := site.ReportURL("carrier", r.ID)
	for i, t := range r.Report.Trips {
		name := fmt.Sprintf("trip %d, until %s", i+1, c.at(t.To))
		if t.To == 0 {
			name = fmt.Sprintf("trip %d, not ended", i+1)
		}
		r.Trips = append(r.Trips, tripWords{Name: name, URL: fmt.Sprintf("%s?trip=%d", base, i+1), This: r.Trip == i+1})
	}
	if len(r.Trips) > 1 {
		r.Trips = append(r.Trips, tripWords{Name: "all of them", URL: base + "?trip=all", This: r.Trip == 0})
	}
	switch n := len(r.Report.Trips); {
	case n == 0:
		r.TripSaid = "It has made no trip yet."
	case r.Trip == 0:
		r.TripSaid = "All " + count(n, "trip", "trips") + "."
	default:
		t := r.Report.Trips[r.Trip-1]
		r.TripSaid = fmt.Sprintf("Trip %d of %d", r.Trip, n)
		if t.From != 0 {
			r.TripSaid += ", since it was emptied " + c.at(t.From)
		}
		if t.To != 0 {
			r.TripSaid += ", until it was emptied " + c.at(t.To)
		}
		r.TripSaid += "."
	}
	still := func(i event.Instant, word string) string {
		if i == 0 {
			return word
		}
		return c.at(i)
	}
	for _, in := range r.Report.Contents {
		r.Contents = append(r.Contents, contentWords{
			Tube: in.Tube, URL: site.ReportURL("tube", in.Tube), In: c.at(in.In), Out: still(in.Out, "still inside"), Via: cmp.Or(in.Via, "itself"),
		})
	}
	for _, l := range r.Report.Loggers {
		w := reportLogger{ID: l.ID, On: l.On, From: c.at(l.From), Until: still(l.Until, "still there"), Calibrated: "never said", Files: count(l.Files, "file read in", "files read in")}
		if l.Calibrated != 0 {
			w.Calibrated = fmt.Sprintf("on %s, ± %s", c.at(l.Calibrated), degrees(l.Uncertainty))
			if l.Next != 0 {
				w.Calibrated += ", again by " + c.at(l.Next)
			}
			if l.Next != 0 && l.Next < r.Now {
				w.Calibrated += ", which is over"
			}
		}
		if l.TakenBack > 0 {
			w.Files += fmt.Sprintf(", %d taken back", l.TakenBack)
		}
		r.Loggers = append(r.Loggers, w)
	}
}

// entryOf writes an entry of the log. Times stand in the offset that the device gave;
// what the program recorded by itself, in that of the page.
func entryOf(c clock, s *ReportStep) entryWords {
	zone := c.zone
	if s.Zoned {
		zone = time.FixedZone("", int(s.OffsetMin)*60)
	}
	at := func(i event.Instant) string { return i.Time().In(zone).Format("2006-01-02 15:04:05.000 -07:00") }
	w := entryWords{Seq: s.Seq, ID: s.ID, Occurred: at(s.Occurred), Recorded: at(s.Recorded), Step: s.Step, Note: s.Note, Voided: s.Voided}
	if s.Carrier != "" {
		w.Step += " " + s.Carrier
	}
	var told []string
	if s.OffsetMs != 0 && s.Said != 0 {
		told = append(told, "its clock said "+at(s.Said)+", "+aheadWords(s.OffsetMs))
	}
	if s.PlusMinus != 0 {
		told = append(told, "± "+exactly(s.PlusMinus))
	}
	if s.Typed != 0 {
		told = append(told, "typed "+at(s.Typed))
	}
	if s.Source != "" && s.Source != "scanned" {
		told = append(told, "time "+s.Source)
	}
	w.Told = strings.Join(told, "; ")
	w.Who = partsOf([][2]string{
		{"", s.By}, {"as ", s.Role}, {"for ", s.For}, {"with ", s.Witness}, {"signed in as ", s.Principal}, {"from ", s.From}, {"at ", s.Place},
	})
	device := s.Device
	if device != "" && s.DeviceSeq != 0 {
		device += fmt.Sprintf(" no. %d", s.DeviceSeq)
	}
	w.How = partsOf([][2]string{{"", howWords(s.How)}, {"device ", device}, {"signed by its key ", s.Signed}, {"import ", s.Import}})
	switch {
	case !s.Told:
		w.Mode = "by the program"
	case s.Reported:
		w.Mode = "told later"
	default:
		w.Mode = "live"
	}
	if s.Inherited != "" {
		w.Inherited = "by " + s.Inherited
	}
	if s.Again != 0 {
		w.Again = fmt.Sprintf("the same step as entry %d, told again", s.Again)
	}
	if s.Voided {
		w.Taken = "taken back" + leading(" by ", s.VoidedBy) + leading(": ", s.VoidedFor)
		if s.VoidedSeq != 0 {
			w.Taken += fmt.Sprintf(", entry %d", s.VoidedSeq)
		}
	}
	return w
}

func leading(word, s string) string {
	if s == "" {
		return ""
	}
	return word + s
}

func partsOf(parts [][2]string) string {
	var out []string
	for _, p := range parts {
		if p[1] != "" {
			out = append(out, p[0]+p[1])
		}
	}
	return strings.Join(out, ", ")
}

// howWords says by what a label was read, as far as it was said: "camera, ]d2, GS1".
func howWords(how string) string {
	parts := strings.Split(how, ".")
	for i, p := range parts {
		switch {
		case p == "gs1":
			parts[i] = "GS1"
		case i > 0 && len(p) == 2:
			parts[i] = "]" + p // symbology identifier, ISO/IEC 15424
		case p == "nfc":
			parts[i] = "NFC"
		default:
			parts[i] = strings.ReplaceAll(p, "-", " ")
		}
	}
	return strings.Join(parts, ", ")
}

func aheadWords(ms int64) string {
	if ms < 0 {
		return exactly(-ms) + " behind"
	}
	return exactly(ms) + " ahead"
}

// exactly writes milliseconds without rounding: "3 h 20 min", "1 min 5.250 s".
func exactly(ms int64) string {
	const minute, hour = 60_000, 3_600_000
	var parts []string
	if h := ms / hour; h > 0 {
		parts = append(parts, fmt.Sprintf("%d h", h))
	}
	if m := ms % hour / minute; m > 0 {
		parts = append(parts, fmt.Sprintf("%d min", m))
	}
	switch rest := ms % minute; {
	case rest%1000 != 0:
		parts = append(parts, fmt.Sprintf("%d.%03d s", rest/1000, rest%1000))
	case rest > 0:
		parts = append(parts, fmt.Sprintf("%d s", rest/1000))
	case len(parts) == 0:
		return "0 min"
	}
	return strings.Join(parts, " ")
}

// cant lists what the report doesn't tell.
func (p *Report) cant() []string {
	var out []string
	sum := map[event.Evidence]int64{}
	for i := range p.Temps {
		sum[p.Temps[i].Evidence] += int64(p.Temps[i].To - p.Temps[i].From)
	}
	if ms := sum[event.EvidenceAssumed]; ms > 0 {
		out = append(out, exactly(ms)+" of its temperature are assumed: somebody declared what is usual there, and nobody measured it.")
	}
	if ms := sum[event.EvidenceAttested]; ms > 0 {
		out = append(out, exactly(ms)+" rest on a person's word.")
	}
	if ms := sum[event.EvidenceUnknown]; ms > 0 {
		out = append(out, "Of "+exactly(ms)+" no temperature is known.")
	}
	if p.Kind == "tube" && len(p.Temps) == 0 {
		out = append(out, "Nothing is said of its temperature: it isn't known since when it was filled.")
	}
	told, unsure := 0, 0
	for i := range p.Steps {
		s := &p.Steps[i]
		if s.Told && s.Reported {
			told++
		}
		if s.PlusMinus > 120_000 { // from here on the fold counts a clock as wrong
			unsure++
		}
	}
	if told > 0 {
		out = append(out, count(told, "entry was", "entries were")+" told later: when it happened is what was said then.")
	}
	if unsure > 0 {
		out = append(out, count(unsure, "entry has", "entries have")+" a time that is uncertain by more than 2 min.")
	}
	if p.Unread > 0 {
		out = append(out, fmt.Sprintf("Entries of it up to position %d could not be read: something is missing here.", p.Unread))
	}
	if p.Notes > 0 {
		out = append(out, count(p.Notes, "text that a person wrote is", "texts that people wrote are")+" sealed under the patient's key and not in this report.")
	}
	if p.Kind == "tube" {
		out = append(out, "Haemolysis, clots and short fill are told only where somebody noted them. What a result is worth, no report of times and temperatures can say.")
	}
	return append(out,
		"Who the patient is: the log holds no identity.",
		fmt.Sprintf("That nobody has changed the log: signed checkpoints are not made yet, so this report proves nothing of that. It says what the log held at position %d (readings %d) when the report was made, and no more.", p.Seq, p.Readings))
}
