package deploy_test

import (
	"fmt"
	"maps"
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

func TestUnit(t *testing.T) {
	unit, err := readUnit(readFile(t, "custodyd.service"), directives(t))
	if err != nil {
		t.Fatalf("custodyd.service: %v", err)
	}
	if got := slices.Sorted(maps.Keys(unit)); !slices.Equal(got, []string{"Install", "Service", "Unit"}) {
		t.Errorf("sections %q", got)
	}
	service := unit["Service"]
	for key, want := range fences {
		if got := service[key]; !slices.Equal(got, []string{want}) {
			t.Errorf("%s is %q, want %q", key, got, want)
		}
	}
	if got := service["SystemCallFilter"]; !slices.Equal(got, []string{"@system-service", "~@privileged @resources"}) {
		t.Errorf("SystemCallFilter is %q", got)
	}
	// Once only, but for those that are lists.
	for name, s := range unit {
		for key, values := range s {
			if len(values) > 1 && !slices.Contains([]string{"SystemCallFilter", "LoadCredential", "Wants"}, key) {
				t.Errorf("[%s] %s stands %d times", name, key, len(values))
			}
		}
	}
	command := strings.Fields(service["ExecStart"][0])
	wantArgs := []string{"--config", "%d/custodyd.yaml", "--data", "%S/" + service["StateDirectory"][0], "--key-file", "%d/custody.key"}
	if !slices.Equal(command[1:], wantArgs) {
		t.Errorf("ExecStart is %q, want %q", command[1:], wantArgs)
	}
	lent := map[string]bool{}
	for _, c := range service["LoadCredential"] {
		name, from, _ := strings.Cut(c, ":")
		lent["%d/"+name] = true
		if from != "/etc/custody/"+name {
			t.Errorf("LoadCredential %q", c)
		}
	}
	for _, arg := range wantArgs {
		if strings.HasPrefix(arg, "%d/") && !lent[arg] {
			t.Errorf("%s is lent by no LoadCredential", arg)
		}
	}
	// The folder of the example is the one that the unit makes.
	if s := settingsOf(t, "custodyd.example.yaml", readFile(t, "custodyd.example.yaml")); s.Data != "/var/lib/"+service["StateDirectory"][0] {
		t.Errorf("the example keeps its store in %s", s.Data)
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
