package config_test

import (
	"strings"
	"testing"

	"specimen.example/custody/internal/config"
)

const aDesk = `receivers: [{name: desk, webhook: https://pager.example/x, secret-file: s`

// What can't be is said by the receiver's name and its setting, with what it may be.
func TestSettingsOfReceivers(t *testing.T) {
	for name, tc := range map[string]struct {
		file string
		say  []string // nil: it is sound
	}{
		"none":             {`receivers: []`, nil},
		"a webhook":        {aDesk + `, roots-file: r, kinds: [before, after], least: soon, places: [LAB], zone: Europe/Berlin}]`, nil},
		"a mail":           {`receivers: [{name: night, mail: a@b.example, from: c@b.example, server: "m.example:587", tls: tls, user: u, password-file: p}]`, nil},
		"no name":          {`receivers: [{webhook: https://pager.example/x, secret-file: s}]`, []string{"number 1", "name", "letters"}},
		"a name of a key":  {`receivers: [{name: a.b, webhook: https://pager.example/x, secret-file: s}]`, []string{"number 1", "name", "a.b"}},
		"a name twice":     {aDesk + `}, {name: desk, webhook: https://pager.example/y, secret-file: s}]`, []string{"desk", "name", "twice"}},
		"neither":          {`receivers: [{name: desk}]`, []string{"desk", "webhook, mail", "one of the two"}},
		"both":             {aDesk + `, mail: a@b.example, from: a@b.example, server: "m:25"}]`, []string{"desk", "one of the two"}},
		"no secret":        {`receivers: [{name: desk, webhook: https://pager.example/x}]`, []string{"desk", "secret-file", "urandom"}},
		"a secret of mail": {`receivers: [{name: n, mail: a@b.example, from: c@b.example, server: "m:25", secret-file: s}]`, []string{"n:", "secret-file", "webhook"}},
		"mail's of a hook": {aDesk + `, user: u, password-file: p}]`, []string{"desk", "mail", "password-file"}},
		"nobody writes":    {`receivers: [{name: n, mail: a@b.example, server: "m:25"}]`, []string{"from", "custody@lab.example"}},
		"no server":        {`receivers: [{name: n, mail: a@b.example, from: c@b.example}]`, []string{"server", "mail.example:587"}},
		"a user alone":     {`receivers: [{name: n, mail: a@b.example, from: c@b.example, server: "m:25", user: u}]`, []string{"user, password-file", "both"}},
		"a wrong kind":     {aDesk + `, kinds: [later]}]`, []string{"kinds", "later", "before"}},
		"a wrong level":    {aDesk + `, least: high}]`, []string{"least", "high", "soon"}},
		"a wrong zone":     {aDesk + `, zone: Europe/Nowhere}]`, []string{"zone", "Europe/Nowhere", "Europe/Berlin"}},
		"an empty place":   {aDesk + `, places: [""]}]`, []string{"places", "empty"}},
		"too many":         {`receivers: [` + strings.Repeat(`{name: a, webhook: https://pager.example/x, secret-file: s}, `, 17) + `]`, []string{"receivers", "at most 16"}},
		"an unknown key":   {aDesk + `, secret: abc}]`, []string{"secret"}},
	} {
		s := config.Default()
		err := s.Read("settings", strings.NewReader(tc.file))
		if err == nil {
			err = s.Check()
		}
		if (err != nil) != (tc.say != nil) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, word := range tc.say {
			if !strings.Contains(err.Error(), word) {
				t.Errorf("%s: %q is not in: %v", name, word, err)
			}
		}
	}
}
