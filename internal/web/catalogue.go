package web

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"go.yaml.in/yaml/v3"
)

//go:embed words/*.yaml
var wordFiles embed.FS

// languages are those in which the phone pages speak; the first is the one that the
// other is made from.
var languages = []string{"en", "de"}

// catalogue holds the texts of the phone pages: by key, by language. A key begins with
// the name of its file.
type catalogue map[string]map[string]string

// readCatalogue reads every file of words.
func readCatalogue(from fs.FS) (catalogue, error) {
	files, err := fs.Glob(from, "words/*.yaml")
	if err != nil {
		return nil, fmt.Errorf("words: %w", err)
	}
	all := catalogue{}
	for _, file := range files {
		data, err := fs.ReadFile(from, file)
		if err != nil {
			return nil, fmt.Errorf("words: %w", err)
		}
		var one catalogue
		if err := yaml.Unmarshal(data, &one); err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		part := strings.TrimSuffix(path.Base(file), ".yaml") + "."
		for key, texts := range one {
			if !strings.HasPrefix(key, part) {
				return nil, fmt.Errorf("%s: the key %q must begin with %q", file, key, part)
			}
			for _, lang := range languages {
				if texts[lang] == "" {
					return nil, fmt.Errorf("%s: %s has no text in %q", file, key, lang)
				}
			}
			if len(texts) != len(languages) {
				return nil, fmt.Errorf("%s: %s has other languages than %q", file, key, languages)
			}
			all[key] = texts
		}
	}
	return all, nil
}

// in gives the texts of one language as JSON, the keys in order.
func (c catalogue) in(lang string) ([]byte, error) {
	texts := make(map[string]string, len(c))
	for key, t := range c {
		texts[key] = t[lang]
	}
	return json.Marshal(texts)
}

// wordAssets makes a file of JSON for each language.
func wordAssets(from fs.FS) (map[string][]byte, error) {
	c, err := readCatalogue(from)
	if err != nil {
		return nil, err
	}
	made := map[string][]byte{}
	for _, lang := range languages {
		if made["phone/words."+lang+".json"], err = c.in(lang); err != nil {
			return nil, err
		}
	}
	return made, nil
}
