package deploy_test

import (
	"debug/elf"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
)

const containerfile = "Containerfile"

// instruction is one line of a container file: its word and the rest.
type instruction struct {
	line       int
	word, rest string
}

// stage is what stands from one FROM to the next.
type stage struct {
	name, from string
	steps      []instruction
}

// instructions are those of the Dockerfile reference that are used here; another
// one wants a look at what it does first.
var instructions = []string{"FROM", "COPY", "RUN", "ENV", "WORKDIR", "USER", "VOLUME", "EXPOSE", "HEALTHCHECK", "ENTRYPOINT", "CMD"}

// readContainerfile gives the stages of a container file.
func readContainerfile(text string) ([]stage, error) {
	var stages []stage
	var open *instruction
	n := 0
	add := func(i instruction) error {
		if !slices.Contains(instructions, i.word) {
			return fmt.Errorf("line %d: unknown instruction %q", i.line, i.word)
		}
		if i.rest == "" {
			return fmt.Errorf("line %d: %s says nothing", i.line, i.word)
		}
		if i.word == "FROM" {
			f := strings.Fields(i.rest)
			if len(f) != 3 || f[1] != "AS" {
				return fmt.Errorf("line %d: write FROM IMAGE AS NAME", i.line)
			}
			stages = append(stages, stage{name: f[2], from: f[0]})
			return nil
		}
		if len(stages) == 0 {
			return fmt.Errorf("line %d: %s before FROM", i.line, i.word)
		}
		last := &stages[len(stages)-1]
		last.steps = append(last.steps, i)
		return nil
	}
	for line := range strings.Lines(text) {
		n++
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		more := strings.HasSuffix(line, `\`)
		line = strings.TrimSpace(strings.TrimSuffix(line, `\`))
		if open == nil {
			word, rest, _ := strings.Cut(line, " ")
			open = &instruction{n, word, strings.TrimSpace(rest)}
		} else {
			open.rest += " " + line
		}
		if more {
			continue
		}
		if err := add(*open); err != nil {
			return nil, err
		}
		open = nil
	}
	if open != nil {
		return nil, fmt.Errorf("line %d: it goes on after the end of the file", open.line)
	}
	return stages, nil
}

// all gives the rests of one instruction.
func (s stage) all(word string) []string {
	var rests []string
	for _, i := range s.steps {
		if i.word == word {
			rests = append(rests, i.rest)
		}
	}
	return rests
}

// words reads the exec form, the only one that works where there is no shell.
func words(t *testing.T, rest string) []string {
	t.Helper()
	var list []string
	if err := json.Unmarshal([]byte(rest), &list); err != nil || len(list) == 0 {
		t.Fatalf("%s: %q is not of the form [\"/program\", \"argument\"]", containerfile, rest)
	}
	return list
}

func stagesOf(t *testing.T) (build stage, images map[string]stage) {
	t.Helper()
	stages, err := readContainerfile(readFile(t, containerfile))
	if err != nil {
		t.Fatalf("%s: %v", containerfile, err)
	}
	images = map[string]stage{}
	for _, s := range stages[1:] {
		images[s.name] = s
	}
	if got := slices.Sorted(maps.Keys(images)); len(stages) != 3 || !slices.Equal(got, []string{"custodyd", "nats"}) {
		t.Fatalf("%s has the images %q", containerfile, got)
	}
	return stages[0], images
}

func TestContainerfile(t *testing.T) {
	build, images := stagesOf(t)
	toolchain := regexp.MustCompile(`(?m)^toolchain go(\S+)$`).FindStringSubmatch(readFile(t, "../go.mod"))
	if toolchain == nil || build.from != "golang:"+toolchain[1]+"-bookworm" {
		t.Errorf("built with %s; the toolchain line of go.mod says %q", build.from, toolchain)
	}
	allowed := strings.Fields(readFile(t, containerfile+".dockerignore"))
	fromContext := func(rest string) {
		f := strings.Fields(rest)
		for _, source := range f[:len(f)-1] {
			if _, err := os.Stat(filepath.Join("..", source)); err != nil {
				t.Errorf("COPY %s: %v", source, err)
			}
			if !slices.Contains(allowed, "!"+source) {
				t.Errorf("COPY %s: the ignore file keeps it from the build", source)
			}
		}
	}
	for _, rest := range build.all("COPY") {
		fromContext(rest)
	}
	if !slices.Contains(build.all("ENV"), "GOTOOLCHAIN=local") {
		t.Error("the build may fetch another Go")
	}
	for name, s := range images {
		if s.from != "scratch" {
			t.Errorf("%s is made from %s", name, s.from)
		}
		if len(s.all("RUN")) != 0 {
			t.Errorf("%s runs something, and has nothing to run it with", name)
		}
		if got := s.all("USER"); !slices.Equal(got, []string{"65532:65532"}) {
			t.Errorf("%s runs as %q", name, got)
		}
		copied := map[string]bool{}
		for _, rest := range s.all("COPY") {
			if !strings.HasPrefix(rest, "--from=") {
				fromContext(rest)
				continue
			}
			if !strings.HasPrefix(rest, "--from="+build.name+" ") {
				t.Errorf("%s: COPY %s", name, rest)
			}
			f := strings.Fields(rest)
			copied[f[len(f)-1]] = true
		}
		entry := words(t, s.all("ENTRYPOINT")[0])
		if len(entry) != 1 || !copied[entry[0]] {
			t.Errorf("%s starts %q, which it hasn't got", name, entry)
		}
		words(t, s.all("CMD")[0])
		for _, v := range words(t, s.all("VOLUME")[0]) {
			if !copied[v] {
				t.Errorf("%s: the volume %s would belong to root", name, v)
			}
		}
		if !copied["/etc/ssl/certs/ca-certificates.crt"] {
			t.Errorf("%s trusts no certificate", name)
		}
	}
	if s := images["custodyd"]; len(s.all("HEALTHCHECK")) != 1 {
		t.Error("custodyd has no health check")
	}
}

// The reader must bite.
func TestContainerfileReaderBites(t *testing.T) {
	for text, want := range map[string]string{
		"FORM scratch AS a":            "unknown instruction",
		"FROM scratch":                 "AS NAME",
		"COPY a b":                     "before FROM",
		"FROM scratch AS a\nADD b c":   "unknown instruction",
		"FROM scratch AS a\nUSER":      "says nothing",
		"FROM scratch AS a\nRUN x \\":  "after the end",
		"FROM scratch AS a\nfrom b":    "unknown instruction",
		"FROM scratch AS a\n  \\\nx y": "unknown instruction",
	} {
		if _, err := readContainerfile(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// empty is an image as far as it can be had without a container: the programs of
// the build line in an otherwise empty root.
type empty struct {
	root string
}

// programs are what the build line makes.
var programs = []string{"custodyd", "scan", "nats-server"}

// built keeps the programs between runs: go links them anew only when they changed.
const built = ".bin/image"

// newEmpty runs the build line as it stands, only into another folder, and copies
// the programs as the images do.
func newEmpty(t *testing.T) *empty {
	t.Helper()
	build, _ := stagesOf(t)
	e := &empty{root: t.TempDir()}
	var line string
	for _, rest := range build.all("RUN") {
		if strings.Contains(rest, "go build") {
			line = strings.Replace(rest, "-o /out/", "-o "+built+"/", 1)
		}
	}
	cmd := exec.Command("sh", "-c", line) //nolint:gosec // our own build line
	cmd.Dir = ".."
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", line, err, out)
	}
	for _, name := range programs {
		program, err := os.ReadFile(filepath.Join("..", built, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(e.root, name), program, 0o755); err != nil { //nolint:gosec // another user starts it
			t.Fatal(err)
		}
	}
	return e
}

// command is argv of the image: in the empty root, as user 65532. Root may become
// another; anybody else may in a namespace of users.
func (e *empty) command(argv []string, env ...string) *exec.Cmd {
	cmd := exec.Command(argv[0])
	cmd.Path, cmd.Args, cmd.Dir, cmd.Env, cmd.Err = argv[0], argv, "/", env, nil
	cmd.SysProcAttr = &syscall.SysProcAttr{Chroot: e.root}
	if os.Getuid() == 0 {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: 65532, Gid: 65532}
		return cmd
	}
	cmd.SysProcAttr.Cloneflags = syscall.CLONE_NEWUSER
	cmd.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 65532, HostID: os.Getuid(), Size: 1}}
	cmd.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{ContainerID: 65532, HostID: os.Getgid(), Size: 1}}
	return cmd
}

// folder makes a folder of the image that belongs to its user.
func (e *empty) folder(t *testing.T, path string) {
	t.Helper()
	path = filepath.Join(e.root, path)
	if err := os.MkdirAll(path, 0o755); err != nil { //nolint:gosec // as COPY makes it
		t.Fatal(err)
	}
	if os.Getuid() == 0 {
		if err := os.Chown(path, 65532, 65532); err != nil {
			t.Fatal(err)
		}
	}
}

// The programs of the images need nothing but themselves: they are static, start
// in an empty root as another user, know the time zones, and answer their own
// health check. The alerts look at metrics that the daemon has.
func TestTheImagesInAnEmptyRoot(t *testing.T) {
	e := newEmpty(t)
	for dir := e.root; len(dir) > len(os.TempDir()); dir = filepath.Dir(dir) {
		if err := os.Chmod(dir, 0o755); err != nil { //nolint:gosec // another user must come through
			t.Fatal(err)
		}
	}
	for _, name := range programs {
		f, err := elf.Open(filepath.Join(e.root, name))
		if err != nil {
			t.Fatal(err)
		}
		if libs, err := f.ImportedLibraries(); err != nil || len(libs) != 0 {
			t.Errorf("%s needs %q, %v", name, libs, err)
		}
		for _, p := range f.Progs {
			if p.Type == elf.PT_INTERP {
				t.Errorf("%s needs a loader", name)
			}
		}
		_ = f.Close()
	}
	t.Run("nats", func(t *testing.T) { e.nats(t) })
	t.Run("options", func(t *testing.T) { e.options(t) })
	t.Run("custodyd", func(t *testing.T) { e.custodyd(t) })
	t.Run("two daemons on three servers", func(t *testing.T) { e.twoDaemons(t) })
}

// nats lets the server judge the file in its own words.
func (e *empty) nats(t *testing.T) {
	_, images := stagesOf(t)
	e.folder(t, "/etc/nats")
	if err := os.WriteFile(filepath.Join(e.root, "etc/nats/nats-server.conf"), []byte(readFile(t, natsConf)), 0o644); err != nil { //nolint:gosec // as in the image
		t.Fatal(err)
	}
	env := []string{"CUSTODY_NATS_NAME=nats-0", "CUSTODY_NATS_STORE=/var/lib/nats", "CUSTODY_NATS_MONITOR=127.0.0.1:8222"}
	for name, value := range environmentOf(t, filepath.Join(secrets(t), "nats.env")) {
		env = append(env, name+"="+value)
	}
	argv := slices.Concat(words(t, images["nats"].all("ENTRYPOINT")[0]), words(t, images["nats"].all("CMD")[0]), []string{"-t"})
	out, err := e.command(argv, env...).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "is valid") {
		t.Errorf("%q: %v\n%s", argv, err, out)
	}
	// A variable that is not set stops it; it must not start with an empty password.
	for i := range env {
		if out, err := e.command(argv, slices.Delete(slices.Clone(env), i, i+1)...).CombinedOutput(); err == nil {
			t.Errorf("it takes the file without %s\n%s", env[i], out)
		}
	}
}
