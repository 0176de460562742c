package api

import (
	"context"
	"errors"
	"fmt"
	"time"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/label"
	"specimen.example/custody/internal/live"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// find says what a text names. One that can't be read is told as wrong in the field.
func (s *Server) find(field string, in label.Input, kinds ...event.Kind) (live.Named, error) {
	named, err := s.Model.Find(in, kinds...)
	var r *label.Refusal
	if errors.As(err, &r) {
		return named, violations(violation{field, r.Words()})
	}
	return named, err
}

// key is find for a text that names something of one kind.
func (s *Server) key(field, text string, kind event.Kind) (event.Key, error) {
	named, err := s.find(field, label.Input{Raw: []byte(text)}, kind)
	return named.Key, err
}

// PutSchemes declares the site's number schemes.
func (s *Server) PutSchemes(ctx context.Context, m *custodyv1.NumberSchemes) (*custodyv1.NumberSchemes, error) {
	var list []event.NumberScheme
	for _, n := range m.GetSchemes() {
		list = append(list, event.NumberScheme{
			ID: n.GetId(), Issuer: n.GetIssuer(), Names: n.GetNames(), Pattern: n.GetPattern(), Check: n.GetCheck(), Case: n.GetLetterCase(),
			Zeros: n.GetZeros(), In: n.GetIn(), Framed: n.GetFramed(), Ward: n.GetWard(), TubeType: n.GetTubeType(),
			ReuseMs: n.GetReuseHours() * time.Hour.Milliseconds(),
		})
	}
	schemes, err := label.Declared(list)
	if err != nil {
		return nil, schemeFaults(err)
	}
	if !m.GetDryRun() {
		_, err = s.Desk.Write(ctx, intake.Entry{
			ID: newID(), Target: custody.Target{Kind: event.KindRules, Key: event.SchemesKey}, Facts: []event.Fact{schemes.Fact()}, By: m.GetBy(),
		})
		if err != nil {
			return nil, logError(err)
		}
	}
	out := schemesMessage(schemes)
	out.By, out.DryRun = m.GetBy(), m.GetDryRun()
	return out, nil
}

// schemeFaults names everything that is wrong with a set of schemes by its path.
func schemeFaults(err error) error {
	var bad []violation
	joined, ok := err.(interface{ Unwrap() []error }) //nolint:errorlint // the form of errors.Join
	if !ok {
		return violations(violation{"schemes", err.Error()})
	}
	for _, e := range joined.Unwrap() {
		var f *label.SchemeError
		if !errors.As(e, &f) {
			bad = append(bad, violation{"schemes", e.Error()})
			continue
		}
		field := f.Field
		switch field {
		case "case":
			field = "letterCase"
		case "reuse":
			field = "reuseHours"
		}
		bad = append(bad, violation{fmt.Sprintf("schemes[%d].%s", f.Index, field), f.Say})
	}
	return violations(bad...)
}

// GetSchemes gives the number schemes in force.
func (s *Server) GetSchemes(context.Context, *custodyv1.GetSchemesRequest) (*custodyv1.NumberSchemes, error) {
	return schemesMessage(s.Model.Schemes()), nil
}

func schemesMessage(schemes *label.Schemes) *custodyv1.NumberSchemes {
	m := &custodyv1.NumberSchemes{Warnings: schemes.Warnings()}
	for _, n := range schemes.Fact().Schemes {
		m.Schemes = append(m.Schemes, &custodyv1.NumberScheme{
			Id: n.ID, Issuer: n.Issuer, Names: n.Names, Pattern: n.Pattern, Check: n.Check, LetterCase: n.Case, Zeros: n.Zeros, In: n.In,
			Framed: n.Framed, Ward: n.Ward, TubeType: n.TubeType, ReuseHours: n.ReuseMs / time.Hour.Milliseconds(),
		})
	}
	return m
}

// ReadLabel says what a label names.
func (s *Server) ReadLabel(_ context.Context, m *custodyv1.ReadLabelRequest) (*custodyv1.ReadLabelResponse, error) {
	l := m.GetLabel()
	in := label.Input{
		Raw: l.GetRaw(), Symbology: l.GetSymbology(), How: label.How(l.GetHow()), Separates: m.GetSeparates(),
		At: s.Clock.Now(), Ward: m.GetWard(), TubeType: m.GetType(),
	}
	if len(in.Raw) == 0 {
		in.Raw = []byte(l.GetText())
	}
	if len(in.Raw) == 0 {
		return nil, violations(violation{"label", "it is missing; send what was read as raw, or what was typed as text"})
	}
	if m.GetSeparator() != "" {
		in.Separator = m.GetSeparator()[0]
	}
	var kinds []event.Kind
	for _, w := range m.GetWanted() {
		if kind, ok := label.Thing(w).Kind(); ok {
			kinds = append(kinds, kind)
		} else {
			in.Want = append(in.Want, label.Thing(w))
		}
	}
	named, err := s.Model.Find(in, kinds...)
	var r *label.Refusal
	if errors.As(err, &r) {
		return &custodyv1.ReadLabelResponse{Refusal: &custodyv1.LabelRefusal{
			Refusal: string(r.What), Field: r.Field, Say: r.Say, Remedy: r.Remedy, Parts: r.Parts, Proposal: r.Proposal, Ways: r.Ways,
			Product: productMessage(r.Kept),
		}}, nil
	}
	if err != nil {
		return nil, err
	}
	return &custodyv1.ReadLabelResponse{Reading: readingMessage(&named.Reading, named.Known, named.Key)}, nil
}

func readingMessage(r *label.Reading, known bool, key event.Key) *custodyv1.LabelReading {
	m := &custodyv1.LabelReading{
		Names: string(r.Names), Known: known, Word: r.Word(), Standard: string(r.Standard), Symbology: r.Symbology.ID,
		SymbologyName: r.Symbology.Name, Scheme: r.Scheme, Check: string(r.Check), Folded: r.Folded, Method: r.Method(),
	}
	if r.Private() {
		return m
	}
	m.Number, m.Request, m.Key = r.Text, r.Request, key.Label()
	for _, e := range r.Elements {
		m.Elements = append(m.Elements, &custodyv1.LabelElement{Ai: e.AI, Value: e.Value})
	}
	return m
}

func productMessage(p *label.ProductCode) *custodyv1.ProductCode {
	if p == nil {
		return nil
	}
	m := &custodyv1.ProductCode{Number: p.Number, Lot: p.Lot, Serial: p.Serial}
	if p.Expiry.Year != 0 {
		m.Expiry = p.Expiry.String()
	}
	if p.Made.Year != 0 {
		m.Made = p.Made.String()
	}
	return m
}
