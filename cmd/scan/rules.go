package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"specimen.example/custody/internal/app/rehearse"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/stability"
	"specimen.example/custody/internal/stability/library"
	stabilityv1 "specimen.example/custody/proto/stability/v1"
)

func (t *tool) rulesCommand() *cobra.Command {
	rules := &cobra.Command{
		Use:   "rules",
		Short: "Check, compare, list, adopt and draft stability limits",
		Long: `Check, compare, list, adopt and draft stability limits. A rule file is data of the
laboratory; nothing in it is in force until somebody adopts it. check, compare and
draft need no server.`,
		Example: `  scan rules check our-limits.yaml
  scan rules adopt our-limits.yaml --by lena`,
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("%q is no command of scan rules; write check, list, compare, adopt or draft", args[0])
			}
			return usagef("write check, list, compare, adopt or draft behind scan rules")
		},
	}
	var test, tube string
	list := &cobra.Command{
		Use:     "list",
		Short:   "List the limits in force and the shipped ones",
		Long:    "List the limits in force and the shipped ones that nobody adopted, each with its source.",
		Example: "  scan rules list --test potassium --tube LIHEP",
		Args:    exactly(0, "no argument"),
		RunE:    func(cmd *cobra.Command, _ []string) error { return t.listRules(cmd.Context(), test, tube) },
	}
	list.Flags().StringVar(&test, "test", "", "only of this test: code, LOINC or part of its name")
	list.Flags().StringVar(&tube, "tube", "", "only of this tube type")
	rules.AddCommand(&cobra.Command{
		Use:     "check FILE...",
		Short:   "Tell every mistake in rule files",
		Long:    "Read rule files and tell every mistake with its line, column and remedy. No server is needed.",
		Example: "  scan rules check our-limits.yaml",
		Args:    some("at least one rule file, for example: scan rules check our-limits.yaml"),
		RunE:    func(_ *cobra.Command, args []string) error { return t.checkRules(args) },
	}, list, &cobra.Command{
		Use:   "compare FILE [FILE]",
		Short: "Tell what two rule files say otherwise",
		Long: `Tell what a second rule file adds, removes and changes. With one file, compare
the shipped starter set with it. No server is needed.`,
		Example: "  scan rules compare old.yaml new.yaml",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 && len(args) != 2 {
				return usagef("write one or two rule files, for example: scan rules compare old.yaml new.yaml")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error { return t.compareRules(args) },
	}, t.adoptCommand(), t.draftCommand())
	return rules
}

// mistake is one mistake as a line of JSON.
type mistake struct {
	File    string `json:"file"`
	Line    int    `json:"line"`
	Column  int    `json:"column"`
	Field   string `json:"field"`
	Problem string `json:"problem"`
	Remedy  string `json:"remedy"`
}

// object prints one line of JSON; limits speak of < and >, which stay readable.
func (t *tool) object(v any) error {
	enc := json.NewEncoder(t.out)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

func (t *tool) checkRules(files []string) error {
	code := exitDone
	for _, file := range files {
		set, err := t.parseRules(file)
		var mistakes stability.Mistakes
		switch {
		case errors.As(err, &mistakes):
			code = exitRefused
			if err := t.showMistakes(mistakes); err != nil {
				return err
			}
		case err != nil:
			return err
		case t.json:
			if err := t.object(map[string]any{"file": file, "set": set.Name, "version": set.Version, "hash": set.Hash, "rules": len(set.Rules)}); err != nil {
				return err
			}
		default:
			if _, err := fmt.Fprintf(t.out, "%s: no mistakes; set %s version %d with %s and %s\n", file, set.Name, set.Version, many(len(set.Rules), "limit"), many(len(set.Waits), "wait")); err != nil {
				return err
			}
		}
	}
	if code != exitDone {
		return told(code)
	}
	return nil
}

func (t *tool) showMistakes(mistakes stability.Mistakes) error {
	for _, m := range mistakes {
		if t.json {
			if err := t.object(mistake(m)); err != nil {
				return err
			}
		} else if _, err := fmt.Fprintln(t.out, m); err != nil {
			return err
		}
	}
	if !t.json {
		_, err := fmt.Fprintln(t.out, many(len(mistakes), "mistake"))
		return err
	}
	return nil
}

func many(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func (t *tool) parseRules(file string) (*stability.Set, error) {
	data, err := t.read(file)
	if err != nil {
		return nil, err
	}
	return stability.Parse(file, data)
}

func (t *tool) compareRules(files []string) error {
	sets := make([]*stability.Set, 0, 2)
	if len(files) == 1 {
		starter, _, err := library.Starter()
		if err != nil {
			return err
		}
		sets = append(sets, starter)
	}
	for _, file := range files {
		set, err := t.parseRules(file)
		if err != nil {
			return err
		}
		sets = append(sets, set)
	}
	differences := stability.Compare(sets[0], sets[1])
	if t.json {
		for _, d := range differences {
			if err := t.object(map[string]any{"kind": d.Kind, "what": d.What, "id": d.ID, "fields": d.Fields, "old": d.Old, "new": d.New}); err != nil {
				return err
			}
		}
		return nil
	}
	p := &page{}
	for _, d := range differences {
		head := d.Kind + "  " + d.What + " " + d.ID
		if len(d.Fields) > 0 {
			head += " in " + strings.Join(d.Fields, ", ")
		}
		p.linef("%s", head)
		if d.Old != "" {
			p.linef("    old: %s", d.Old)
		}
		if d.New != "" {
			p.linef("    new: %s", d.New)
		}
	}
	if len(differences) == 0 {
		p.linef("they say the same")
	} else {
		p.linef("%s", many(len(differences), "difference"))
	}
	return t.print(p)
}

func (t *tool) listRules(ctx context.Context, test, tube string) error {
	conn, err := t.dial()
	if err != nil {
		return err
	}
	ctx, cancel := t.within(ctx)
	defer cancel()
	list, err := stabilityv1.NewRulesClient(conn).ListRules(ctx, &stabilityv1.ListRulesRequest{Test: test, Tube: tube})
	if err != nil {
		return rehearse.Plain(err)
	}
	p := &page{}
	for _, set := range list.Sets {
		if t.json {
			if err := t.line(set); err != nil {
				return err
			}
			continue
		}
		p.linef("%s", setText(set))
		for _, r := range set.Rules {
			p.linef("    %s", limitLine(r))
		}
	}
	if !t.json && len(list.Sets) == 0 {
		p.linef("no limit is in force and none is shipped")
	}
	return t.print(p)
}

// limitLine is a limit of a list in one line.
func limitLine(l *stabilityv1.Limit) string {
	text := ruleLine(l.GetRule())
	if !l.Chosen {
		text += " (not the chosen one)"
	}
	return text
}

func setText(set *stabilityv1.RuleSet) string {
	text := fmt.Sprintf("%s version %d: ", set.Name, set.Version)
	if set.InForce == "" {
		return text + "not in force; nobody adopted it"
	}
	text += "in force since " + momentOf(set.InForce).full()
	if set.InFlight {
		text += ", also for tubes drawn before"
	}
	if set.AdoptedBy != "" {
		text += ", adopted by " + set.AdoptedBy
	}
	if set.Second != "" {
		text += ", read by " + set.Second
	}
	if set.Reason != "" {
		text += ": " + set.Reason
	}
	return text
}

func (t *tool) adoptCommand() *cobra.Command {
	base := &stabilityv1.AdoptRulesRequest{}
	starter := false
	cmd := &cobra.Command{
		Use:   "adopt FILE...",
		Short: "Put rule files in force, in the name of a person",
		Long: `Put rule files in force, in the name of a person. Tubes are judged by the limits
in force when they were drawn, unless --in-flight. With --starter and no file, the
shipped starter set is adopted as it is.`,
		Example: `  scan rules adopt our-limits.yaml --by lena
  scan rules adopt --starter --by lena`,
		Args: func(_ *cobra.Command, args []string) error {
			if (len(args) == 0) != starter {
				return usagef("write rule files, or --starter and no file")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if strings.TrimSpace(base.By) == "" {
				return usagef("say who adopts them: --by lena")
			}
			if base.InForce != "" {
				if _, err := readTime(base.InForce); err != nil {
					return usagef("--in-force %q is no time with an offset; write for example 2026-12-01T00:00:00+01:00", base.InForce)
				}
			}
			return t.adopt(cmd.Context(), base, args)
		},
	}
	cmd.Flags().StringVar(&base.By, "by", "", "who adopts them")
	cmd.Flags().StringVar(&base.Second, "second", "", "second person who read them")
	cmd.Flags().StringVar(&base.Reason, "reason", "", "why they are adopted; it is kept as it is")
	cmd.Flags().StringVar(&base.InForce, "in-force", "", "from when, with an offset (now)")
	cmd.Flags().BoolVar(&base.InFlight, "in-flight", false, "also for tubes that were drawn before")
	cmd.Flags().BoolVar(&starter, "starter", false, "adopt the shipped starter set")
	return cmd
}

// adopt reads all files before it sends the first: half of them in force would be
// worse than none.
func (t *tool) adopt(ctx context.Context, base *stabilityv1.AdoptRulesRequest, files []string) error {
	texts := []string{""}
	if len(files) > 0 {
		texts = nil
	}
	for _, file := range files {
		data, err := t.read(file)
		if err != nil {
			return err
		}
		if _, err := stability.Parse(file, data); err != nil {
			return err
		}
		texts = append(texts, string(data))
	}
	conn, err := t.dial()
	if err != nil {
		return err
	}
	client := stabilityv1.NewRulesClient(conn)
	for _, text := range texts {
		id, err := uuid.NewV7()
		if err != nil {
			return fmt.Errorf("make an id: %w", err)
		}
		req := &stabilityv1.AdoptRulesRequest{File: text, By: base.By, InForce: base.InForce, InFlight: base.InFlight, Id: id.String(), Second: base.Second, Reason: base.Reason}
		if err := t.adoptOne(ctx, client, req); err != nil {
			return err
		}
	}
	return nil
}

func (t *tool) adoptOne(ctx context.Context, client stabilityv1.RulesClient, req *stabilityv1.AdoptRulesRequest) error {
	ctx, cancel := t.within(ctx)
	defer cancel()
	resp, err := client.AdoptRules(ctx, req)
	if err != nil {
		return rehearse.Plain(err)
	}
	if t.json {
		if err := t.line(resp); err != nil {
			return err
		}
		return ofAnswer(resp.Answer)
	}
	text := words(resp.Answer)
	if resp.Set != nil && event.Answer(resp.Answer) != event.AnswerRefused {
		text += ": " + setText(resp.Set)
	}
	if _, err := fmt.Fprintln(t.out, text); err != nil {
		return err
	}
	return ofAnswer(resp.Answer)
}
