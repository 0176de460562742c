// Package library carries the starter set: stability limits from published
// work, each with its source and what of the source was seen. It decides
// nothing and nothing in it is in force: a laboratory reads, changes and adopts
// it. No limit rests on memory, and no tube type is told from a cap's colour.
package library

import (
	"bytes"
	"embed"
	"fmt"

	"specimen.example/custody/internal/stability"
)

//go:embed *.yaml
var files embed.FS

// disciplines are the files with rules, in the order in which they are joined. A
// discipline that is too long for one file has several, its name in front.
var disciplines = []string{
	"chemistry-electrolytes", "chemistry-metabolites", "chemistry-enzymes", "chemistry-proteins", "chemistry-vitamins",
	"coagulation", "haematology", "endocrine", "endocrine-pancreas-gut", "cardiac", "drugs", "bloodgas",
	"molecular", "microbiology", "immune",
}

// Lists are the catalogues of the starter set.
type Lists struct {
	Tubes   []stability.TubeType
	Assays  []stability.Assay
	Accepts map[string][]string // assay code to tube type codes
}

// Starter gives the set named starter and the bytes of the one rule file that
// it was read from: stability.Parse accepts them, and an adoption carries them.
// Each call gives a set of its own. An error means a broken build.
func Starter() (*stability.Set, []byte, error) {
	data, err := joined()
	if err != nil {
		return nil, nil, err
	}
	set, err := stability.Parse("starter.yaml", data)
	if err != nil {
		return nil, nil, fmt.Errorf("starter rules: %w", err)
	}
	return set, data, nil
}

// Catalogue gives the tube types, tests and accepted tubes of the starter set.
func Catalogue() (Lists, error) {
	set, _, err := Starter()
	if err != nil {
		return Lists{}, err
	}
	return Lists{Tubes: set.Tubes, Assays: set.Assays, Accepts: set.Accepts}, nil
}

// joined makes one rule file: the catalogue with everything but rules, then the
// rules of each discipline without the "rules:" line that each file has of its own.
func joined() ([]byte, error) {
	head, err := files.ReadFile("catalogue.yaml")
	if err != nil {
		return nil, fmt.Errorf("starter rules: %w", err)
	}
	out := append(bytes.Clone(head), "rules:\n"...)
	for _, name := range disciplines {
		file, err := files.ReadFile(name + ".yaml")
		if err != nil {
			return nil, fmt.Errorf("starter rules: %w", err)
		}
		about, rules, found := bytes.Cut(file, []byte("\nrules:\n"))
		if !found {
			return nil, fmt.Errorf("starter rules: %s.yaml has no line \"rules:\"", name)
		}
		out = append(out, about...)
		out = append(out, '\n')
		out = append(out, rules...)
	}
	return out, nil
}
