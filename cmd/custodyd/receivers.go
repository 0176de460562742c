package main

import (
	"bytes"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"specimen.example/custody/internal/app"
	"specimen.example/custody/internal/config"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/notify"
)

// receiversOf makes those who are told outside of their settings. Its errors name the
// receiver, what is wrong and the remedy, and hold no secret.
func receiversOf(s config.Settings) ([]app.Receiver, error) {
	var out []app.Receiver
	var errs []error
	for i := range s.Receivers {
		r, err := receiverOf(&s.Receivers[i])
		if err != nil {
			errs = append(errs, fmt.Errorf("receivers: %s: %w", s.Receivers[i].Name, err))
			continue
		}
		out = append(out, r)
	}
	return out, errors.Join(errs...)
}

func receiverOf(s *config.Receiver) (app.Receiver, error) {
	r := app.Receiver{Name: s.Name, Audience: notify.Audience{Least: notify.Level(max(slices.Index(config.Levels(), s.Least), 0) + 1)}}
	for _, k := range s.Kinds {
		r.Audience.Kinds = append(r.Audience.Kinds, event.FlagKind(k))
	}
	for _, p := range s.Places {
		r.Audience.Places = append(r.Audience.Places, event.Spelled(p))
	}
	zone, err := time.LoadLocation(s.Zone)
	if err != nil {
		return r, fmt.Errorf("zone: %w", err)
	}
	roots, err := rootsOf(s.RootsFile)
	if err != nil {
		return r, err
	}
	if s.Webhook != "" {
		secrets, err := notify.ReadSecrets(s.SecretFile)
		if err != nil {
			return r, err
		}
		// A receiver compares the signature's time with its own clock: it is the wall's,
		// also where a rehearsal steers ours.
		r.Channel, err = notify.NewWebhook(notify.WebhookParts{URL: s.Webhook, Secrets: secrets, Now: app.WallClock().Now, Zone: zone, Roots: roots})
		return r, err
	}
	password, err := passwordOf(s.PasswordFile)
	if err != nil {
		return r, err
	}
	way := notify.MailTLS(s.TLS)
	if way == "" {
		way = notify.StartTLS
	}
	r.Channel, err = notify.NewMail(notify.MailParts{
		Server: s.Server, TLS: way, User: s.User, Password: password, From: s.From, To: s.Mail, Zone: zone, Roots: roots,
	})
	return r, err
}

// rootsOf reads whom to trust, nil for whom the machine trusts.
func rootsOf(path string) (*x509.CertPool, error) {
	if path == "" {
		return nil, nil //nolint:nilnil // the machine's own
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("roots-file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("roots-file: %s holds no certificate in PEM; give the one that signed the receiver's", path)
	}
	return pool, nil
}

func passwordOf(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("password-file: %w", err)
	}
	data = bytes.TrimRight(data, "\r\n")
	if len(data) == 0 || bytes.ContainsAny(data, "\r\n\x00") {
		return "", fmt.Errorf("password-file: %s must hold the password on one line, and nothing else", path)
	}
	return string(data), nil
}

// secretsOf are the files with secrets that the receivers name.
func secretsOf(s config.Settings) []string {
	var files []string
	for i := range s.Receivers {
		for _, f := range []string{s.Receivers[i].SecretFile, s.Receivers[i].PasswordFile} {
			if f != "" && !slices.Contains(files, f) {
				files = append(files, f)
			}
		}
	}
	return files
}

// lookAtReceivers gathers what outsideChecks judges.
func (w *ward) lookAtReceivers(s config.Settings) {
	_, w.receivers = receiversOf(s)
	w.readable = nil
	for _, f := range secretsOf(s) {
		if info, err := os.Stat(f); err == nil && info.Mode().Perm()&0o077 != 0 {
			w.readable = append(w.readable, f)
		}
	}
}

// outsideChecks says whether the receivers' settings hold, and nobody else reads their
// secrets. It sends nothing: how they stand, /healthz and House say.
func (w *ward) outsideChecks() []check {
	const name = "receivers"
	switch {
	case len(w.settings.Receivers) == 0:
		return one(name, true, "none: flags are shown on the screens alone", "", "")
	case w.receivers != nil:
		return one(name, false, strings.ReplaceAll(w.receivers.Error(), "\n", "; "), "settings that hold", "put them right in the settings; custodyd doesn't start with them")
	case len(w.readable) > 0:
		return one(name, false, "may be read by others: "+strings.Join(w.readable, ", "), "mode 0600", "chmod 600 "+strings.Join(w.readable, " "))
	}
	names := make([]string, len(w.settings.Receivers))
	for i := range names {
		names[i] = w.settings.Receivers[i].Name
	}
	return one(name, true, strings.Join(names, ", ")+"; how they stand is on /healthz and in House", "", "")
}
