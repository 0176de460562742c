package api

import (
	"context"
	"errors"
	"slices"
	"strings"

	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/stability"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

func setMessage(set *stability.Set) *stabilityv1.RuleSet {
	m := &stabilityv1.RuleSet{Name: set.Name, Version: set.Version, Hash: set.Hash}
	for i := range set.Rules {
		m.Rules = append(m.Rules, limitMessage(&set.Rules[i]))
	}
	return m
}

// ListRules gives the limits in force, and the shipped ones that nobody adopted.
func (s *Server) ListRules(_ context.Context, req *stabilityv1.ListRulesRequest) (*stabilityv1.ListRulesResponse, error) {
	resp := &stabilityv1.ListRulesResponse{}
	data, err := s.Starter()
	if err != nil {
		return nil, err
	}
	shipped, err := stability.Parse("starter", data)
	if err != nil {
		return nil, err
	}
	adopted := false
	for _, a := range s.Model.Adopted() {
		m := setMessage(a.Set)
		m.InForce, m.InFlight, m.AdoptedBy, m.Second, m.Reason = stamp(a.InForce), a.InFlight, a.By, a.Second, a.Reason
		resp.Sets = append(resp.Sets, m)
		adopted = adopted || a.Hash == shipped.Hash
	}
	if !adopted {
		resp.Sets = append(resp.Sets, setMessage(shipped))
	}
	for _, set := range resp.Sets {
		set.Rules = slices.DeleteFunc(set.Rules, func(l *stabilityv1.Limit) bool { return !asked(l, req.GetTest(), req.GetTube()) })
	}
	return resp, nil
}

// asked reports whether a limit is of a test and a tube; empty asks for all.
func asked(l *stabilityv1.Limit, test, tube string) bool {
	if tube != "" && !slices.Contains(l.GetTubes(), tube) {
		return false
	}
	return test == "" || l.GetAssay() == test || l.GetLoinc() == test || strings.Contains(strings.ToLower(l.GetName()), strings.ToLower(test))
}

// limitMessage tells of a rule what a scientist checks before adopting it.
func limitMessage(r *stability.Rule) *stabilityv1.Limit {
	m := &stabilityv1.Limit{
		Rule: ruleText(r), Assay: r.Assay.Code, Name: r.Assay.Name, Loinc: r.Assay.Loinc, LoincSeen: r.Assay.LoincSeen, Tubes: r.Tubes, State: string(r.State),
		CountsFrom: string(r.From), Direction: string(r.TimeReads), Chosen: r.Default, Critical: r.Critical,
	}
	for _, c := range r.Condition {
		answer := "no"
		if c.Yes {
			answer = "yes"
		}
		m.Conditions = append(m.Conditions, c.Name+"="+answer)
	}
	for i := range r.Limits {
		l := &r.Limits[i]
		row := &stabilityv1.LimitRow{
			Band: l.BandName, Low: celsiusText(l.Low), High: celsiusText(l.High), Time: stability.RowTime(l), AsStudied: l.AsStudied, Widened: l.Widened,
		}
		for k := range l.Shares {
			row.Shares = append(row.Shares, &stabilityv1.Share{Over: l.Shares[k].Text(), AtMs: l.Shares[k].AtMs})
		}
		m.Rows = append(m.Rows, row)
	}
	return m
}

// CheckRules reads a rule file and reports every mistake.
func (s *Server) CheckRules(_ context.Context, req *stabilityv1.CheckRulesRequest) (*stabilityv1.CheckRulesResponse, error) {
	name := req.GetName()
	if name == "" {
		name = "file"
	}
	set, err := stability.Parse(name, []byte(req.GetFile()))
	if err != nil {
		return &stabilityv1.CheckRulesResponse{Mistakes: mistakes(err)}, nil
	}
	return &stabilityv1.CheckRulesResponse{Set: setMessage(set)}, nil
}

func mistakes(err error) []*stabilityv1.Mistake {
	var list stability.Mistakes
	if !errors.As(err, &list) {
		return []*stabilityv1.Mistake{{Problem: err.Error()}}
	}
	var out []*stabilityv1.Mistake
	for _, m := range list {
		out = append(out, &stabilityv1.Mistake{
			Line: int32(m.Line), Column: int32(m.Column), Field: m.Field, Problem: m.Problem, Remedy: m.Remedy, //nolint:gosec // a file is under 1 MiB
		})
	}
	return out
}

// AdoptRules puts a rule file in force, in the name of a person.
func (s *Server) AdoptRules(ctx context.Context, req *stabilityv1.AdoptRulesRequest) (*stabilityv1.AdoptRulesResponse, error) {
	data := []byte(req.GetFile())
	if len(data) == 0 {
		var err error
		if data, err = s.Starter(); err != nil {
			return nil, err
		}
	}
	set, err := stability.Parse("file", data)
	if err != nil {
		return nil, violations(violation{"file", err.Error()})
	}
	at := optionalInstant(req.GetInForce())
	if at == 0 {
		at = s.Clock.Now()
	}
	id := req.GetId()
	if id == "" {
		id = newID()
	}
	rules, err := event.LocalKey(set.Hash[:32])
	if err != nil {
		return nil, err
	}
	seq, err := s.Desk.Write(ctx, intake.Entry{
		ID: id, Target: custody.Target{Kind: event.KindRules, Key: rules}, By: req.GetBy(),
		Facts: []event.Fact{event.RulesAdopted{
			Hash: set.Hash, Bytes: data, InForce: at, InFlight: req.GetInFlight(), Name: set.Name, Version: set.Version,
			Second: strings.TrimSpace(req.GetSecond()), Reason: strings.TrimSpace(req.GetReason()),
		}},
	})
	var field *intake.FieldError
	if errors.As(err, &field) {
		err = &intake.FieldError{Field: "id", Say: field.Say}
	}
	if err != nil {
		return nil, logError(err)
	}
	s.settle(ctx, seq)
	m := setMessage(set)
	m.InForce, m.InFlight, m.AdoptedBy, m.Second, m.Reason = stamp(at), req.GetInFlight(), req.GetBy(), req.GetSecond(), req.GetReason()
	return &stabilityv1.AdoptRulesResponse{Answer: string(event.AnswerRecorded), Set: m}, nil
}
