package deploy_test

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// section is one section of a unit: the values of each directive in their order.
type section map[string][]string

// readUnit reads a unit file. known is the list of directives by section. Line
// continuations and quotes are not needed here and are refused.
func readUnit(text string, known map[string][]string) (map[string]section, error) {
	unit := map[string]section{}
	current := ""
	n := 0
	for line := range strings.Lines(text) {
		n++
		line = strings.TrimSpace(line)
		switch {
		case line == "" || strings.HasPrefix(line, "#"):
			continue
		case strings.HasSuffix(line, `\`):
			return nil, fmt.Errorf("line %d: write it on one line", n)
		case strings.HasPrefix(line, "[") && strings.HasSuffix(line, "]"):
			current = strings.Trim(line, "[]")
			if known[current] == nil {
				return nil, fmt.Errorf("line %d: unknown section %s", n, line)
			}
			if unit[current] != nil {
				return nil, fmt.Errorf("line %d: %s stands twice", n, line)
			}
			unit[current] = section{}
			continue
		}
		key, value, ok := strings.Cut(line, "=")
		switch {
		case !ok:
			return nil, fmt.Errorf("line %d: %q is no directive", n, line)
		case current == "":
			return nil, fmt.Errorf("line %d: %s stands in no section", n, key)
		case !slices.Contains(known[current], key):
			return nil, fmt.Errorf("line %d: [%s] has no directive %s", n, current, key)
		}
		unit[current][key] = append(unit[current][key], value)
	}
	return unit, nil
}

// directives reads the list in testdata.
func directives(t *testing.T) map[string][]string {
	t.Helper()
	known, current := map[string][]string{}, ""
	for line := range strings.Lines(readFile(t, "testdata/systemd-directives.txt")) {
		line = strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(line, "#") || line == "":
		case strings.HasPrefix(line, "["):
			current = strings.Trim(line, "[]")
		default:
			known[current] = append(known[current], line)
		}
	}
	if len(known["Service"]) < 200 || len(known["Unit"]) < 50 || len(known["Install"]) < 2 {
		t.Fatal("the list of directives is cut")
	}
	return known
}

// fences are what keeps a broken daemon from the rest of the machine. Each is a
// row of "systemd-analyze security"; the values are those it counts as safe.
var fences = map[string]string{
	"DynamicUser": "yes", "NoNewPrivileges": "yes", "CapabilityBoundingSet": "", "AmbientCapabilities": "",
	"PrivateUsers": "yes", "PrivateDevices": "yes", "PrivateTmp": "yes", "PrivateIPC": "yes", "PrivateMounts": "yes", "DevicePolicy": "closed",
	"ProtectSystem": "strict", "ProtectHome": "yes", "ProtectProc": "invisible", "ProcSubset": "pid", "ProtectClock": "yes",
	"ProtectHostname": "yes", "ProtectControlGroups": "yes", "ProtectKernelLogs": "yes", "ProtectKernelModules": "yes",
	"ProtectKernelTunables": "yes", "RestrictNamespaces": "yes", "RestrictRealtime": "yes", "RestrictSUIDSGID": "yes",
	"RestrictAddressFamilies": "AF_INET AF_INET6", "IPAddressDeny": "any", "IPAddressAllow": "localhost", "RemoveIPC": "yes",
	"LockPersonality": "yes", "KeyringMode": "private", "MemoryDenyWriteExecute": "yes", "SystemCallArchitectures": "native",
	"SystemCallErrorNumber": "EPERM", "UMask": "0077", "StateDirectoryMode": "0700",
}

// units are the unit files; families are the kinds of address that each needs. The
// NATS server asks the system for its interfaces, to tell clients where it is.
var units = map[string]struct{ path, families string }{
	"custodyd":     {"custodyd.service", "AF_INET AF_INET6 AF_UNIX"},
	"custody-nats": {"nats/custody-nats.service", "AF_INET AF_INET6 AF_NETLINK"},
}

func unitOf(t *testing.T, name string) map[string]section {
	t.Helper()
	unit, err := readUnit(readFile(t, units[name].path), directives(t))
	if err != nil {
		t.Fatalf("%s: %v", units[name].path, err)
	}
	return unit
}

func TestUnits(t *testing.T) {
	for name, u := range units {
		t.Run(name, func(t *testing.T) {
			unit := unitOf(t, name)
			if got := slices.Sorted(maps.Keys(unit)); !slices.Equal(got, []string{"Install", "Service", "Unit"}) {
				t.Errorf("sections %q", got)
			}
			service := unit["Service"]
			for key, want := range fences {
				if key == "RestrictAddressFamilies" {
					want = u.families
				}
				if got := service[key]; !slices.Equal(got, []string{want}) {
					t.Errorf("%s is %q, want %q", key, got, want)
				}
			}
			if got := service["SystemCallFilter"]; !slices.Equal(got, []string{"@system-service", "~@privileged @resources"}) {
				t.Errorf("SystemCallFilter is %q", got)
			}
			// Once only, but for those that are lists.
			for part, s := range unit {
				for key, values := range s {
					if len(values) > 1 && !slices.Contains([]string{"SystemCallFilter", "LoadCredential", "Wants", "Environment"}, key) {
						t.Errorf("[%s] %s stands %d times", part, key, len(values))
					}
				}
			}
			lent := map[string]bool{}
			for _, c := range service["LoadCredential"] {
				file, from, _ := strings.Cut(c, ":")
				lent["%d/"+file] = true
				if from != "/etc/custody/"+file {
					t.Errorf("LoadCredential %q", c)
				}
			}
			for _, arg := range strings.Fields(service["ExecStart"][0]) {
				if strings.HasPrefix(arg, "%d/") && !lent[arg] {
					t.Errorf("%s is lent by no LoadCredential", arg)
				}
			}
		})
	}
}

// The daemon's folder is the one of the example, and the one that the unit makes.
func TestUnitOfTheDaemon(t *testing.T) {
	service := unitOf(t, "custodyd")["Service"]
	folder := service["StateDirectory"][0]
	want := "/usr/local/bin/custodyd --config %d/custodyd.yaml --data %S/" + folder + " --key-file %d/custody.key"
	if got := service["ExecStart"]; !slices.Equal(got, []string{want}) {
		t.Errorf("ExecStart is %q, want %q", got, want)
	}
	if s := settingsOf(t, "custodyd.example.yaml", readFile(t, "custodyd.example.yaml")); s.Data != "/var/lib/"+folder {
		t.Errorf("the example keeps its store in %s", s.Data)
	}
}

// The drop-in gives the daemon on a cluster the files of secrets.sh, and leaves the rest
// as the unit has it.
func TestDropInOfTheCluster(t *testing.T) {
	dropIn, err := readUnit(readFile(t, "custodyd-cluster.conf"), directives(t))
	if err != nil {
		t.Fatal(err)
	}
	service := dropIn["Service"]
	if got := slices.Sorted(maps.Keys(service)); len(dropIn) != 1 || !slices.Equal(got, []string{"ExecStart", "LoadCredential"}) {
		t.Errorf("it changes %q", got)
	}
	want := unitOf(t, "custodyd")["Service"]["ExecStart"][0]
	made := settingsOf(t, "custodyd.yaml", readFile(t, filepath.Join(secrets(t), "custodyd.yaml")))
	for _, more := range []struct{ option, file string }{
		{"nats-login-file", made.NATSLoginFile}, {"operator-login-file", made.OperatorLoginFile}, {"tls-cert", made.TLSCert}, {"tls-key", made.TLSKey},
	} {
		name := filepath.Base(more.file)
		want += " --" + more.option + " %d/" + name
		if !slices.Contains(service["LoadCredential"], name+":/etc/custody/"+name) {
			t.Errorf("%s is not lent", name)
		}
	}
	if got := service["ExecStart"]; !slices.Equal(got, []string{"", want}) {
		t.Errorf("ExecStart is %q, want none and then %q", got, want)
	}
}

// The server's unit sets what secrets.sh doesn't make, and nothing twice.
func TestUnitOfTheServer(t *testing.T) {
	service := unitOf(t, "custody-nats")["Service"]
	if got := service["EnvironmentFile"]; !slices.Equal(got, []string{"/etc/custody/nats.env"}) {
		t.Errorf("EnvironmentFile is %q", got)
	}
	have := slices.Collect(maps.Keys(environmentOf(t, filepath.Join(secrets(t), "nats.env"))))
	for _, e := range service["Environment"] {
		if name, value, _ := strings.Cut(e, "="); name != "GOMEMLIMIT" {
			have = append(have, name)
			if name == "CUSTODY_NATS_STORE" && value != "%S/"+service["StateDirectory"][0] {
				t.Errorf("its store is %s, the unit makes %q", value, service["StateDirectory"])
			}
		}
	}
	slices.Sort(have)
	if want := natsVariables(t); !slices.Equal(have, want) {
		t.Errorf("the server gets\n%q\nits file wants\n%q", have, want)
	}
}

// Systemd itself reads the units. Only the program of ExecStart is another, since
// the one it names is not installed here.
func TestSystemdReadsTheUnits(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Fatal("systemd-analyze is missing. Run this once, then try again:\n    sudo apt-get update && sudo apt-get install -y systemd")
	}
	dropIn := ""
	verify := func(text, name string) string {
		path := filepath.Join(t.TempDir(), name+".service")
		err := os.WriteFile(path, []byte(text), 0o600)
		if err == nil && dropIn != "" {
			if err = os.Mkdir(path+".d", 0o700); err == nil {
				err = os.WriteFile(filepath.Join(path+".d", "cluster.conf"), []byte(dropIn), 0o600)
			}
		}
		if err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(analyze, "verify", "--man=no", path).CombinedOutput() //nolint:gosec // our own file
		if err != nil {
			return err.Error() + ": " + string(out)
		}
		return string(out)
	}
	for name, u := range units {
		text := regexp.MustCompile(`(?m)^ExecStart=/usr/local/bin/\S+`).ReplaceAllString(readFile(t, u.path), "ExecStart=/bin/true")
		if said := verify(text, name); said != "" {
			t.Errorf("systemd-analyze verify %s: %s", u.path, said)
		}
		if name == "custodyd" {
			dropIn = regexp.MustCompile(`(?m)^ExecStart=/usr/local/bin/\S+`).ReplaceAllString(readFile(t, "custodyd-cluster.conf"), "ExecStart=/bin/true")
			if said := verify(text, name); said != "" {
				t.Errorf("systemd-analyze verify with custodyd-cluster.conf: %s", said)
			}
			dropIn = strings.Replace(dropIn, "LoadCredential=", "LendCredential=", 1)
			if said := verify(text, name); !strings.Contains(said, "LendCredential") {
				t.Errorf("systemd-analyze verify doesn't read the drop-in: %q", said)
			}
			dropIn = ""
		}
		if said := verify(strings.Replace(text, "ProtectHome=", "ProtectHouse=", 1), name); !strings.Contains(said, "ProtectHouse") {
			t.Errorf("systemd-analyze verify lets a directive pass that doesn't exist: %q", said)
		}
		// In tenths: an exposure of 1.5 of 10.
		out, err := exec.Command(analyze, "security", "--offline=yes", "--threshold=15", u.path).CombinedOutput() //nolint:gosec // our own file
		if err != nil {
			t.Errorf("systemd-analyze security %s: %v\n%s", u.path, err, out)
		}
	}
}

// The reader must bite.
func TestUnitReaderBites(t *testing.T) {
	known := directives(t)
	for text, want := range map[string]string{
		"[Service]\nExecStrat=/x":         "no directive ExecStrat",
		"[Service]\nexecstart=/x":         "no directive execstart",
		"[Unit]\nExecStart=/x":            "no directive ExecStart",
		"[Servcie]\nType=exec":            "unknown section",
		"Type=exec":                       "no section",
		"[Service]\nType exec":            "no directive",
		"[Service]\nExecStart=/x \\\n y":  "one line",
		"[Service]\nType=exec\n[Service]": "twice",
	} {
		if _, err := readUnit(text, known); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
