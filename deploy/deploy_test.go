// Package deploy_test guards what is handed to the people who run the daemon: that
// every file here is well formed, names only what exists, and says what it grants.
// What can be started on a developer's machine is started; what can't is said in
// the header of its file.
package deploy_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"

	"specimen.example/custody/internal/config"
)

func readFile(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// strictly reads one YAML document into out; a key that out has no field for is an error.
func strictly(text string, out any) error {
	dec := yaml.NewDecoder(strings.NewReader(text))
	dec.KnownFields(true)
	if err := dec.Decode(out); err != nil {
		return err
	}
	if err := dec.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return errors.New("more than one document")
	}
	return nil
}

// settingsOf reads settings as the daemon does.
func settingsOf(t *testing.T, name, text string) config.Settings {
	t.Helper()
	s := config.Default()
	if err := s.Read(name, strings.NewReader(text)); err != nil {
		t.Fatal(err)
	}
	if err := s.Check(); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return s
}

// Files that people run by hand.
var noHeader = []string{"Containerfile.dockerignore", "secrets.sh"}

// Every file that something else reads says what of it was tried. The README's pictures
// are read by people alone, and a picture has no header.
func TestEveryFileSaysWhatWasTried(t *testing.T) {
	seen := 0
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (path == "dev" || path == "testdata" || path == "secrets") {
			return fs.SkipDir
		}
		if d.IsDir() || strings.HasSuffix(path, "_test.go") || strings.HasSuffix(path, ".md") || filepath.Dir(path) == "pictures" && strings.HasSuffix(path, ".png") || slices.Contains(noHeader, path) || path == filepath.Join("prometheus", "alerts.test.yaml") || path == "custodyd.example.yaml" {
			return nil
		}
		seen++
		header := ""
		for line := range strings.Lines(readFile(t, path)) {
			if !strings.HasPrefix(line, "#") {
				break
			}
			header += line
		}
		if !strings.Contains(header, "Tried: ") {
			t.Errorf("the header of %s doesn't say what was tried", path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if seen < 8 {
		t.Errorf("found only %d files; the walk is broken", seen)
	}
}

// The example has every setting once, each with words before it, and is accepted.
// Its values are the defaults but where one machine can't be another.
func TestTheExampleHasEverySetting(t *testing.T) {
	const name = "custodyd.example.yaml"
	text := readFile(t, name)
	got := settingsOf(t, name, text)
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(text), &doc); err != nil {
		t.Fatal(err)
	}
	var keys []string
	for i := 0; i < len(doc.Content[0].Content); i += 2 {
		key := doc.Content[0].Content[i]
		keys = append(keys, key.Value)
		if len(key.HeadComment) < 20 {
			t.Errorf("%s: line %d: %s is not explained", name, key.Line, key.Value)
		}
	}
	var want []string
	for f := range reflect.TypeFor[config.Settings]().Fields() {
		want = append(want, f.Tag.Get("yaml"))
	}
	slices.Sort(want)
	if have := slices.Sorted(slices.Values(keys)); !slices.Equal(have, want) {
		t.Errorf("%s has the keys\n%q\nthe settings are\n%q", name, have, want)
	}
	rest := got
	rest.Data, rest.KeyFile = config.Default().Data, config.Default().KeyFile
	if !reflect.DeepEqual(rest, config.Default()) {
		t.Errorf("%s differs from the defaults in more than it says: %+v", name, got)
	}
	if got.Data == config.Default().Data || got.KeyFile == "" {
		t.Errorf("%s: data %q, key-file %q", name, got.Data, got.KeyFile)
	}
}

// filesOf are the files that settings name.
func filesOf(s config.Settings) []string {
	return slices.DeleteFunc([]string{s.KeyFile, s.TLSCert, s.TLSKey, s.NATSLoginFile, s.OperatorLoginFile}, func(f string) bool { return f == "" })
}

// natsVariables are the variables that the NATS file wants from the environment.
func natsVariables(t *testing.T) []string {
	t.Helper()
	found := map[string]bool{}
	for line := range strings.Lines(readFile(t, natsConf)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		for _, m := range regexp.MustCompile(`\$([A-Z_]+[A-Z])`).FindAllStringSubmatch(line, -1) {
			if m[1] != "JS" {
				found[m[1]] = true
			}
		}
	}
	var names []string
	for name := range found {
		names = append(names, name)
	}
	slices.Sort(names)
	if len(names) < 5 {
		t.Fatalf("found only %q in %s", names, natsConf)
	}
	return names
}

// secrets runs secrets.sh into a new folder and gives it.
func secrets(t *testing.T, hosts ...string) string {
	t.Helper()
	folder := filepath.Join(t.TempDir(), "secrets")
	out, err := exec.Command("./secrets.sh", append([]string{folder}, hosts...)...).CombinedOutput() //nolint:gosec // our own script
	if err != nil {
		t.Fatalf("secrets.sh: %v: %s", err, out)
	}
	return folder
}

// environmentOf reads a file of NAME=value lines.
func environmentOf(t *testing.T, path string) map[string]string {
	t.Helper()
	env := map[string]string{}
	for line := range strings.Lines(readFile(t, path)) {
		name, value, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "=")
		if !ok {
			t.Fatalf("%s: %q is no NAME=value", path, line)
		}
		env[name] = value
	}
	return env
}

// The certificate of secrets.sh is taken by its file under the names that compose.yaml,
// cluster.yaml and the caller have for the daemons, and can sign no other (RFC 5280,
// 4.2.1.9).
func TestSecretsCertificate(t *testing.T) {
	t.Setenv("CUSTODY_NAMES", "custody.example fd00::7")
	folder := secrets(t, "10.0.0.1", "nats-1.example")
	text := []byte(readFile(t, filepath.Join(folder, "tls.crt")))
	pair, err := tls.X509KeyPair(text, []byte(readFile(t, filepath.Join(folder, "tls.key"))))
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(text)
	for name, want := range map[string]bool{
		"custodyd": true, "custodyd.custody.svc": true, "custodyd-0": true, "custodyd-1": true, "localhost": true, "127.0.0.1": true,
		"10.0.0.1": true, "nats-1.example": true, "custody.example": true, "[fd00::7]": true, "nats-0": false, "10.0.0.2": false, "other.example": false,
	} {
		if _, err := pair.Leaf.Verify(x509.VerifyOptions{Roots: roots, DNSName: name}); (err == nil) != want {
			t.Errorf("%s: %v", name, err)
		}
	}
	left := time.Until(pair.Leaf.NotAfter)
	if pair.Leaf.IsCA || !pair.Leaf.BasicConstraintsValid || left < 396*24*time.Hour || left > 397*24*time.Hour {
		t.Errorf("it may sign %v, and holds for %s", pair.Leaf.IsCA, left)
	}
}

// What secrets.sh makes fits the programs that read it, and is made once.
func TestSecrets(t *testing.T) {
	folder := secrets(t, "nats-0.nats", "nats-1.nats", "nats-2.nats")
	s := settingsOf(t, "custodyd.yaml", readFile(t, filepath.Join(folder, "custodyd.yaml")))
	env := environmentOf(t, filepath.Join(folder, "nats.env"))
	for _, file := range []*string{&s.NATSLoginFile, &s.OperatorLoginFile} {
		*file = filepath.Join(folder, strings.TrimPrefix(*file, "/run/secrets/"))
	}
	daemonURL, operatorURL, err := s.Cluster()
	if err != nil {
		t.Fatal(err)
	}
	for user, url := range map[string]string{"daemon": daemonURL, "operator": operatorURL} {
		password := env["CUSTODY_NATS_"+strings.ToUpper(user)+"_PASSWORD"]
		if strings.Contains(readFile(t, filepath.Join(folder, "custodyd.yaml")), password) {
			t.Errorf("the settings hold the password of %s", user)
		}
		var want []string
		for _, host := range []string{"nats-0", "nats-1", "nats-2"} {
			want = append(want, "nats://"+user+":"+password+"@"+host+".nats:4222")
		}
		if url != strings.Join(want, ",") || len(password) < 40 {
			t.Errorf("the address as %s is %q, want %q", user, url, want)
		}
	}
	if s.Replicas != 3 || s.KeyFile != "/run/secrets/custody.key" {
		t.Errorf("%+v", s)
	}
	s.KeyFile = filepath.Join(folder, "custody.key")
	if _, err := s.Key(); err != nil {
		t.Error(err)
	}
	if info, err := os.Stat(filepath.Join(folder, "metrics.token")); err != nil || info.Size() != 0 {
		t.Errorf("metrics.token: %v, %v", info, err)
	}
	seen := map[string]bool{}
	for name, value := range env {
		if seen[value] {
			t.Errorf("%s has the value of another", name)
		}
		seen[value] = true
	}
	if info, err := os.Stat(folder); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("others may look into the folder: %v, %v", info.Mode(), err)
	}
	before := readFile(t, filepath.Join(folder, "nats.env"))
	var stderr bytes.Buffer
	again := exec.Command("./secrets.sh", folder)
	again.Stderr = &stderr
	if err := again.Run(); err == nil || !strings.Contains(stderr.String(), "exists") {
		t.Errorf("a second run: %v, %s", err, &stderr)
	}
	if readFile(t, filepath.Join(folder, "nats.env")) != before {
		t.Error("a second run wrote over the first")
	}
	// What fails leaves nothing that stands in the way of the next run.
	folder = filepath.Join(t.TempDir(), "secrets")
	stderr.Reset()
	failed := exec.Command("./secrets.sh", folder, "10.0.0.256")
	failed.Stderr = &stderr
	if err := failed.Run(); err == nil || !strings.Contains(stderr.String(), "10.0.0.256") {
		t.Errorf("a name that is none: %v, %s", err, &stderr)
	}
	if out, err := exec.Command("./secrets.sh", folder, "10.0.0.255").CombinedOutput(); err != nil {
		t.Errorf("the run after it: %v, %s", err, out)
	}
}
