package config

import (
	"fmt"
	"regexp"
	"slices"
	"time"

	"specimen.example/custody/internal/event"
)

// Receiver is somebody outside the screens who is told of flags: by a webhook, or by
// mail to one address. Several people are several receivers, so that one wrong address
// keeps nothing from the others.
type Receiver struct {
	// Name is what the house calls it. What it was told of is kept under it.
	Name string `yaml:"name"`

	// Webhook is the address that is posted to, https or on this machine; SecretFile
	// holds what it is signed with.
	Webhook    string `yaml:"webhook"`
	SecretFile string `yaml:"secret-file"`

	// Mail is who is written to and From who writes, through Server (host:port), whose
	// connection is made safe by TLS: starttls, tls, or none on this machine. User and
	// PasswordFile sign in there; neither for a server that asks nobody.
	Mail         string `yaml:"mail"`
	From         string `yaml:"from"`
	Server       string `yaml:"server"`
	TLS          string `yaml:"tls"`
	User         string `yaml:"user"`
	PasswordFile string `yaml:"password-file"`

	// RootsFile holds, in PEM, whom to trust; empty is whom the machine trusts.
	RootsFile string `yaml:"roots-file"`

	// Kinds of flags (before, after), the least level (any, soon, lost) and the places
	// that it is told of; empty is all.
	Kinds  []string `yaml:"kinds"`
	Least  string   `yaml:"least"`
	Places []string `yaml:"places"`
	// Zone of the times in the text, a name of the tz database; empty is UTC.
	Zone string `yaml:"zone"`
}

// mostReceivers bounds them: each reads the log by itself.
const mostReceivers = 16

// Levels are the words of Least, the lowest first.
func Levels() []string { return []string{"any", "soon", "lost"} }

var aReceiver = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$`)

// checkReceivers reports every setting of a receiver that can't be, with what it may be.
// What stands in files is looked at when they are read.
func checkReceivers(list []Receiver) []error {
	var errs []error
	if len(list) > mostReceivers {
		errs = append(errs, fmt.Errorf("receivers: %d are too many; give at most %d, and let a list of the mail server or the webhook spread it further", len(list), mostReceivers))
	}
	names := map[string]bool{}
	for i := range list {
		r := &list[i]
		called := r.Name
		if !aReceiver.MatchString(r.Name) {
			called = fmt.Sprintf("number %d", i+1)
		}
		bad := func(is bool, format string, args ...any) {
			if is {
				errs = append(errs, fmt.Errorf("receivers: %s: %w", called, fmt.Errorf(format, args...)))
			}
		}
		bad(called != r.Name, "name: %q must be 1 to 40 letters, digits, - or _", r.Name)
		bad(names[r.Name], "name: it is there twice; what each was told of is kept under its name")
		names[r.Name] = true
		bad((r.Webhook == "") == (r.Mail == ""), "webhook, mail: give one of the two")
		bad(r.Webhook != "" && r.SecretFile == "", "secret-file: a webhook is signed; make a secret with: head -c 32 /dev/urandom | base64")
		bad(r.Webhook == "" && r.SecretFile != "", "secret-file: it is for a webhook")
		bad(r.Mail == "" && (r.From != "" || r.Server != "" || r.TLS != "" || r.User != "" || r.PasswordFile != ""), "mail: from, server, tls, user and password-file are for a mail")
		bad(r.Mail != "" && r.From == "", "from: say who writes, for example custody@lab.example")
		bad(r.Mail != "" && r.Server == "", "server: give host and port, for example mail.example:587")
		bad((r.User == "") != (r.PasswordFile == ""), "user, password-file: give both or none")
		for _, k := range r.Kinds {
			bad(!slices.Contains(event.FlagKinds(), event.FlagKind(k)), "kinds: %q is none of %q", k, event.FlagKinds())
		}
		bad(r.Least != "" && !slices.Contains(Levels(), r.Least), "least: %q is none of %q", r.Least, Levels())
		bad(slices.Contains(r.Places, ""), "places: one is empty; leave it out")
		if _, err := time.LoadLocation(r.Zone); err != nil || r.Zone == "Local" {
			bad(true, "zone: %q is no time zone; write for example Europe/Berlin", r.Zone)
		}
	}
	return errs
}
