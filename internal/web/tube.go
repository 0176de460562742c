package web

import (
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"

	"specimen.example/custody/internal/event"
)

// readingRows is the most rows the table of temperatures shows; the picture and
// the API have them all.
const readingRows = 400

// tubeWords is a tube page in words, ready for the template.
type tubeWords struct {
	ID, Type, Status, Facts string
	Flag                    *wallRow
	Open, Closed            []doubtWordsRow
	Wide, Narrow            template.HTML
	Readings                []readingWords
	ReadingsCut             string
	Sum                     *sumWords
	Code                    *codeWords
	Tests                   []testWords
	Steps                   []stepWords
	Links                   []reportFactWords // to reports
	Kin                     []kinWords
	Decisions               []decisionWords
	Asked, Answered         []sampleWords // new samples
	Episodes                []episodeWords
	Corrections             []correctionWords
	Offset, Zone, NowText   string
	Seq                     uint64
}

type doubtWordsRow struct{ ID, What, Note, When, Likely string }

type readingWords struct{ From, To, Temp, Evidence string }

type testWords struct {
	Name, Head, By, Share, Why, Say, Limit, Because, Stricter, Used, Minutes, Source, Otherwise, Holds, Sum string
	Level                                                                                                   level
	Explain                                                                                                 []explainWords
	Others                                                                                                  []otherLimitWords
}

type explainWords struct{ From, To, Evidence, Band, Limit, Used string }

type stepWords struct{ When, Step, Who, How, Note, Voided string }

// Render writes the page as HTML.
func (p TubePage) Render(w io.Writer, site Site) error {
	c := clockOf(p.Now, p.Zone)
	t := tubeWords{
		ID: p.ID, Type: p.Type, Status: p.status(c), Facts: p.facts(c), Seq: p.Seq,
		Offset: c.offset(), Zone: c.zone.String(), NowText: c.now.Format("Mon 2 Jan 2006 15:04"),
	}
	if p.Flag != nil {
		row := flagLine(site, c, *p.Flag)
		t.Flag = &row
	}
	for i := range p.Doubts {
		if row := doubtOf(c, &p.Doubts[i]); p.Doubts[i].Closed == 0 {
			t.Open = append(t.Open, row)
		} else {
			t.Closed = append(t.Closed, row)
		}
	}
	if pic := newPicture(p, c); pic != nil {
		t.Wide, t.Narrow = pic.draw(wideShape), pic.draw(narrowShape)
	}
	t.Readings, t.ReadingsCut = readings(c, p.Temps)
	t.Sum, t.Code = sumOf(&p.Temperature), codeOf(&p.Sprec)
	for _, x := range p.Tests {
		t.Tests = append(t.Tests, testOf(c, x))
	}
	for _, s := range p.Steps {
		t.Steps = append(t.Steps, stepOf(c, s))
	}
	p.around(&t, site, c)
	return frame{Site: site, Name: p.ID, Kind: "tube", Page: t}.render(w)
}

// around fills in what belongs with the tube, and what people did about it.
func (p *TubePage) around(t *tubeWords, site Site, c clock) {
	t.Links = append(t.Links, ReportFact{Name: "Custody report", Tube: p.ID}.words(site))
	if p.Draw != "" {
		t.Links = append(t.Links, ReportFact{Name: "of draw " + p.Draw, Draw: p.Draw}.words(site))
	}
	if p.BoxID != "" {
		t.Links = append(t.Links, ReportFact{Name: "of " + p.Box, Carrier: p.BoxID}.words(site))
	}
	for i := range p.Kin {
		t.Kin = append(t.Kin, kinOf(site, c, &p.Kin[i]))
	}
	for i := range p.Decisions {
		t.Decisions = append(t.Decisions, decisionOf(c, &p.Decisions[i]))
	}
	for i := range p.Samples {
		if w := sampleOf(site, c, &p.Samples[i]); w.Open {
			t.Asked = append(t.Asked, w)
		} else {
			t.Answered = append(t.Answered, w)
		}
	}
	for i := range p.Episodes {
		t.Episodes = append(t.Episodes, episodeOf(c, &p.Episodes[i]))
	}
	for i := range p.Corrections {
		t.Corrections = append(t.Corrections, correctionOf(c, &p.Corrections[i]))
	}
}

// status is holder, place and due time in one sentence.
func (p TubePage) status(c clock) string {
	if p.Closed != "" {
		return sentence(p.Closed)
	}
	var s string
	switch {
	case p.Holder == "" && p.Place == "":
		s = "Nobody is known to hold it"
	case p.Holder == "":
		s = "At " + p.Place
	default:
		s = "Held by " + p.Holder
		if p.missing() {
			s = "Not found; last with " + p.Holder
		}
		if p.Place != "" && p.Place != p.Holder {
			s += ", last place " + p.Place
		}
	}
	if p.Box != "" {
		s += ", in " + p.Box
	}
	if p.Mode != "" {
		s += ", " + says(modeWords, p.Mode)
	}
	if p.To != "" {
		s += "; due at " + p.To
		if due := c.arrival(p.DueAt); due != "" {
			s += " " + due
		} else {
			s += ", time not known"
		}
	}
	return s + "."
}

// missing: it should have been somewhere and wasn't, and nobody settled that.
func (p TubePage) missing() bool {
	return slices.ContainsFunc(p.Doubts, func(d DoubtRow) bool { return d.Doubt == event.DoubtMissing && d.Closed == 0 })
}

func (p TubePage) facts(c clock) string {
	parts := []string{"Drawn " + c.between(p.Drawn)}
	if first := p.Drawn.first(); first != 0 && p.Drawn.Earliest != 0 {
		parts[0] += fmt.Sprintf(" (%s ago)", length(c.now.Sub(first.Time()).Milliseconds()))
	}
	if p.Draw != "" {
		parts = append(parts, "draw "+p.Draw)
	}
	if p.Request != "" {
		parts = append(parts, "request "+p.Request)
	}
	if p.Irreplaceable {
		parts = append(parts, "can't be drawn again")
	}
	return strings.Join(parts, " · ")
}

func testOf(c clock, x TestRow) testWords {
	if x.Restricted {
		// A limit names its test, in words, by its source and by its id.
		x.Rule, x.Limit, x.Evidence, x.Source, x.Work, x.SeenAs, x.Because, x.Others = "", "", "", "", "", "", "", nil
	}
	t := testWords{
		Name: testName(x.Name, x.Restricted), Level: levelOf(x.Verdict, x.Outlook), Head: headWords(x.Verdict, x.Outlook),
		Say: sentence(x.Say),
	}
	if t.Name == "" {
		t.Name = x.Code
	}
	switch {
	case x.Verdict == event.Wait && x.WaitUntil != 0:
		t.Head = fmt.Sprintf("let it clot until %s (%s)", c.at(x.WaitUntil), c.left(x.WaitUntil))
	case x.EndedAt != 0:
		t.By = "settled at " + c.at(x.EndedAt)
	case x.Verdict == event.PastLimit || x.Verdict == event.WrongTube:
	default:
		t.By = c.due(x.Due)
		if t.By != "" && x.DueVerb != "" {
			t.By = x.DueVerb + " " + t.By
		}
	}
	t.Why = whySentence(x)
	if x.Limit != "" {
		t.Limit = sentence(x.Limit)
	}
	if x.LimitMs > 0 {
		t.Used = usedWords(x)
		t.Sum = length(x.UsedMs)
	}
	t.Minutes = minuteWords(x)
	t.Source = sourceWords(x)
	t.Share = shareLine(c, x)
	t.Stricter = stricterLine(c, x)
	for i := range x.Others {
		t.Others = append(t.Others, otherLimitOf(c, &x.Others[i]))
	}
	if x.Otherwise != nil {
		t.Otherwise = sentence(x.Otherwise.Condition + ": " + says(verdictWords, x.Otherwise.Verdict))
		if why := reasonList(x.Otherwise.Reasons); why != "" {
			t.Otherwise = strings.TrimSuffix(t.Otherwise, ".") + ", " + why + "."
		}
	}
	if x.Until != 0 && x.EndedAt == 0 {
		t.Holds = fmt.Sprintf("Without a new scan or reading this stands until %s.", c.at(x.Until))
	}
	t.Because = sentence(x.Because)
	for _, e := range x.Explain {
		row := explainWords{
			From: c.at(e.From), To: c.at(e.To), Evidence: says(evidenceWords, e.Evidence), Band: e.Band,
			Limit: "none", Used: length(e.UsedMs),
		}
		if e.LimitMs > 0 {
			row.Limit = length(e.LimitMs)
		}
		t.Explain = append(t.Explain, row)
	}
	return t
}

func whySentence(x TestRow) string {
	why := reasonList(x.Reasons)
	if way := x.Direction; way != "" && levelOf(x.Verdict, x.Outlook) != levelHold && x.Verdict != event.WithinLimits {
		if why != "" {
			why += "; "
		}
		why += "the result " + says(directionWords, way)
	}
	return sentence(strings.Replace(why, "the result which way", "which way", 1))
}

func usedWords(x TestRow) string {
	s := fmt.Sprintf("%s of %s (%s)", length(x.UsedMs), length(x.LimitMs), percent(x.UsedMs, x.LimitMs))
	if x.BestMs != x.UsedMs {
		s += fmt.Sprintf(" at the worst, %s at the best", length(x.BestMs))
	}
	return s + "."
}

func minuteWords(x TestRow) string {
	var parts []string
	for _, m := range x.Minutes {
		if m.Ms > 0 {
			parts = append(parts, length(m.Ms)+" "+says(evidenceWords, m.Evidence))
		}
	}
	outside := func(ms int64, where string, reads event.Direction) {
		if ms <= 0 {
			return
		}
		s := length(ms) + " " + where + " the band"
		if reads != "" {
			s += ", " + says(directionWords, reads)
		}
		parts = append(parts, s)
	}
	outside(x.BelowMs, "below", x.BelowReads)
	outside(x.AboveMs, "above", x.AboveReads)
	return sentence(strings.Join(parts, "; "))
}

func sourceWords(x TestRow) string { return restsOn(x.Evidence, x.Source, x.SeenAs, x.Rule) }

// restsOn says the evidence and the source of a limit, how it was read, and its id.
func restsOn(evidence, source, seenAs, rule string) string {
	if source == "" && evidence == "" {
		return ""
	}
	s := source
	if evidence != "" {
		s = strings.TrimSuffix(says(ruleEvidenceWords, evidence)+": "+s, ": ")
	}
	if seenAs != "" && seenAs != "direct" {
		s += ", read " + seenAs
	}
	s = sentence(s)
	if rule != "" {
		s += " Rule " + rule + "."
	}
	return s
}

func stepOf(c clock, s StepRow) stepWords {
	w := stepWords{When: c.at(s.At), Step: s.Step, Note: s.Note}
	if s.Carrier != "" {
		w.Step += " " + s.Carrier
	}
	var who []string
	for _, part := range [][2]string{{"", s.By}, {"from ", s.From}, {"at ", s.Place}} {
		if part[1] != "" {
			who = append(who, part[0]+part[1])
		}
	}
	w.Who = strings.Join(who, ", ")
	var how []string
	if s.Inherited != "" {
		how = append(how, "by "+s.Inherited)
	} else {
		how = append(how, "this tube")
	}
	if s.Label != "" {
		how = append(how, s.Label+" label")
	}
	if s.Device != "" {
		how = append(how, s.Device)
	}
	if s.Reported {
		told := "told later"
		if s.Recorded != 0 {
			told = "told at " + c.at(s.Recorded)
		}
		how = append(how, told)
	}
	w.How = strings.Join(how, ", ")
	if s.Voided {
		w.Voided = "taken back"
		if s.VoidedBy != "" {
			w.Voided += " by " + s.VoidedBy
		}
		if s.VoidedFor != "" {
			w.Voided += ": " + s.VoidedFor
		}
	}
	return w
}

// readings gives the table under the picture, stretches that run on joined.
func readings(c clock, temps []TempSegment) ([]readingWords, string) {
	var rows []readingWords
	for _, s := range temps {
		rows = append(rows, readingWords{c.at(s.From), c.at(s.To), tempWords(s), says(evidenceWords, s.Evidence)})
	}
	if cut := len(rows) - readingRows; cut > 0 {
		return rows[cut:], fmt.Sprintf("The latest %d; %d earlier ones are in the picture and the API.", readingRows, cut)
	}
	return rows, ""
}

func tempWords(s TempSegment) string {
	if s.Evidence == event.EvidenceUnknown {
		return "not known"
	}
	low, high := min(s.Low0, s.Low1), max(s.High0, s.High1)
	if low == high {
		return degrees(low)
	}
	if s.Evidence == event.EvidenceMeasured && s.Low0 == s.High0 && s.Low1 == s.High1 {
		return degrees(s.Low0) + " to " + degrees(s.Low1)
	}
	return "between " + degrees(low) + " and " + degrees(high)
}
