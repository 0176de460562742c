package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// labelOf is what was scanned or typed as the API has it: as raw data where it
// carries a symbology identifier or a separator, as a reader sends them.
func labelOf(text, how string) *custodyv1.Label {
	if strings.HasPrefix(text, "]") || strings.Contains(text, "\x1d") {
		return &custodyv1.Label{Raw: []byte(text), How: how}
	}
	return &custodyv1.Label{Text: text, How: how}
}

func (t *tool) labelCommand() *cobra.Command {
	var ward, tubeType, how string
	var wanted []string
	cmd := &cobra.Command{
		Use:   "label [LABEL...]",
		Short: "Tell what a label names, or why it can't be read",
		Long: `Tell what each label names by the number schemes in force, or why it can't be read
and what to do. Labels come from the command line, or one a line from standard
input as a reader sends them, with the symbology identifier in front. Nothing is
recorded.`,
		Example: `  scan label TB260118
  scan label "(01)09521234000174(17)270131(10)K7Q2"
  scan label DT-001 --ward WARD-N`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			conn, err := t.dial()
			if err != nil {
				return err
			}
			client, code := custodyv1.NewDirectoryClient(conn), exitDone
			for _, text := range given(args, t.in) {
				req := &custodyv1.ReadLabelRequest{Label: labelOf(text, how), Ward: ward, Type: tubeType, Wanted: wanted}
				named, err := t.readLabel(cmd.Context(), client, text, req)
				if err != nil {
					return err
				}
				if !named {
					code = exitRefused
				}
			}
			if code != exitDone {
				return told(code)
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&ward, "ward", "", "ward that gave out the number, where wards do so each for itself")
	f.StringVar(&tubeType, "type", "", "type of the tube, where it completes the number")
	f.StringVar(&how, "how", "", "how the label was read: camera, reader or typed")
	f.StringSliceVar(&wanted, "wanted", nil, "what may be named here: tube, carrier, patient, …")
	return cmd
}

// given gives the arguments, else the lines of in that aren't empty.
func given(args []string, in io.Reader) []string {
	if len(args) > 0 {
		return args
	}
	var out []string
	for scanner := bufio.NewScanner(in); scanner.Scan(); {
		if line := strings.Trim(scanner.Text(), " \t\r"); line != "" {
			out = append(out, line)
		}
	}
	return out
}

// readLabel prints what one label names and tells whether it names anything.
func (t *tool) readLabel(ctx context.Context, client custodyv1.DirectoryClient, text string, req *custodyv1.ReadLabelRequest) (bool, error) {
	ctx, cancel := t.within(ctx)
	defer cancel()
	got, err := client.ReadLabel(ctx, req)
	if err != nil {
		return false, err
	}
	if t.json {
		return got.Reading != nil, t.line(got)
	}
	p := &page{}
	if r := got.Refusal; r != nil {
		p.linef("%s  %s: %s; %s", text, words(r.Refusal), r.Say, r.Remedy)
		for _, row := range [][2]string{{"ran together", strings.Join(r.Parts, "  ")}, {"may have been", r.Proposal}, {"could be", strings.Join(r.Ways, "  or  ")}} {
			if row[1] != "" {
				p.linef("  %s: %s", row[0], row[1])
			}
		}
		if m := r.Product; m != nil {
			p.linef("  product %s  lot %s  expiry %s", m.Number, m.Lot, m.Expiry)
		}
		return false, t.print(p)
	}
	r := got.Reading
	row := []string{text, r.Names, r.Key, r.Word + " label"}
	switch {
	case r.Known:
		row = append(row, "known")
	case r.Key != "":
		row = append(row, "the log has nothing of it")
	}
	p.linef("%s", strings.Join(slices.DeleteFunc(row, func(s string) bool { return s == "" }), "  "))
	return true, t.print(p)
}

func (t *tool) schemesCommand() *cobra.Command {
	var by string
	var dry bool
	cmd := &cobra.Command{
		Use:   "schemes [FILE]",
		Short: "Tell or declare the site's number schemes",
		Long: `Tell the number schemes in force, or declare those of a file: all of them, since
whether a label can be mistaken for another follows from the whole set. A set in
which one label could be two things is refused with an example. --dry-run only
checks.

The file is JSON as the API takes it: {"schemes": [{…}, …]}. Each scheme has
  id          first part of every key: A to Z and 0 to 9, at most 8
  issuer      who gives out the numbers, in words
  names       tube, patient, person, carrier, logger, place, device, request or draw
  pattern     # digit, @ letter, * either, [ABC] one of, {2,5} how often
  check       mod10, mod37-2 or mod43, when the last character guards the others
  letterCase  counts, when small and capital letters are different numbers
  zeros       fill, when 12 and 0012 are one number
  in          plain, or the GS1 identifier whose value it is, such as "91"
  framed      true: plain only where the reader sends symbology identifiers, or typed
  ward        true: wards give out the numbers each for itself
  tubeType    true: one number is on all tubes of a request, the type completes it
  reuseHours  after how many hours a number comes again`,
		Example: `  scan schemes
  scan schemes testdata/schemes/islands.json --dry-run
  scan schemes testdata/schemes/islands.json --by lena`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			conn, err := t.dial()
			if err != nil {
				return err
			}
			ctx, cancel := t.within(cmd.Context())
			defer cancel()
			client := custodyv1.NewDirectoryClient(conn)
			var got *custodyv1.NumberSchemes
			if len(args) == 0 {
				got, err = client.GetSchemes(ctx, &custodyv1.GetSchemesRequest{})
			} else {
				var req *custodyv1.NumberSchemes
				if req, err = t.readSchemes(args[0]); err != nil {
					return err
				}
				req.By, req.DryRun = by, dry
				got, err = client.PutSchemes(ctx, req)
			}
			if err != nil {
				return err
			}
			return t.showSchemes(got, len(args) > 0)
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "who declares them")
	cmd.Flags().BoolVar(&dry, "dry-run", false, "only check")
	return cmd
}

// readSchemes reads a file of number schemes. It is what the API takes, so its
// mistakes are told as those of a request.
func (t *tool) readSchemes(file string) (*custodyv1.NumberSchemes, error) {
	data, err := t.read(file)
	if err != nil {
		return nil, err
	}
	m := &custodyv1.NumberSchemes{}
	if err := protojson.Unmarshal(data, m); err != nil {
		return nil, usagef("%s: %s; see scan schemes --help", file, strings.TrimPrefix(err.Error(), "proto:\u00a0"))
	}
	return m, nil
}

func (t *tool) showSchemes(m *custodyv1.NumberSchemes, sent bool) error {
	if t.json {
		return t.line(m)
	}
	p := &page{}
	if len(m.Schemes) == 0 {
		p.linef("no number schemes are declared: every label is a number of its own kind")
	}
	var rows [][]string
	for _, s := range m.Schemes {
		var more []string
		for _, part := range []struct {
			on  bool
			say string
		}{
			{s.Check != "", "check " + s.Check}, {len(s.In) > 0, "in " + strings.Join(s.In, ", ")}, {s.Ward, "per ward"}, {s.TubeType, "per tube type"},
			{s.Framed, "framed"}, {s.ReuseHours > 0, fmt.Sprintf("comes again after %d h", s.ReuseHours)},
		} {
			if part.on {
				more = append(more, part.say)
			}
		}
		rows = append(rows, []string{s.Id, s.Names, s.Pattern, strings.Join(more, ", "), s.Issuer})
	}
	p.table("", rows)
	for _, w := range m.Warnings {
		p.linef("note: %s", w)
	}
	switch {
	case sent && m.DryRun:
		p.linef("checked; nothing was declared")
	case sent:
		p.linef("declared: %d", len(m.Schemes))
	}
	return t.print(p)
}
