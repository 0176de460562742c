package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// alertFile is a file of rules, as far as it is used here. promtool checks the
// whole format; this reading finds what it lets pass: an alert without a test, a
// word for severity that nobody routes, a metric that does not exist.
type alertFile struct {
	Groups []struct {
		Name  string `yaml:"name"`
		Rules []struct {
			Alert       string            `yaml:"alert"`
			Expr        string            `yaml:"expr"`
			For         string            `yaml:"for"`
			Labels      map[string]string `yaml:"labels"`
			Annotations map[string]string `yaml:"annotations"`
		} `yaml:"rules"`
	} `yaml:"groups"`
}

type alertTests struct {
	RuleFiles          []string `yaml:"rule_files"`
	EvaluationInterval string   `yaml:"evaluation_interval"`
	Tests              []struct {
		Name        string `yaml:"name"`
		Interval    string `yaml:"interval"`
		InputSeries []struct {
			Series string `yaml:"series"`
			Values string `yaml:"values"`
		} `yaml:"input_series"`
		AlertRuleTest []struct {
			EvalTime  string `yaml:"eval_time"`
			AlertName string `yaml:"alertname"`
			ExpAlerts []struct {
				ExpLabels      map[string]string `yaml:"exp_labels"`
				ExpAnnotations map[string]string `yaml:"exp_annotations"`
			} `yaml:"exp_alerts"`
		} `yaml:"alert_rule_test"`
	} `yaml:"tests"`
}

// promtool runs it in the folder of the files, and fails when it is missing.
func promtool(t *testing.T, args ...string) {
	t.Helper()
	promtoolReads(t, "", args...)
}

// promtoolReads is promtool with something to read from its standard input.
func promtoolReads(t *testing.T, input string, args ...string) {
	t.Helper()
	path, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is missing. Run this once, then try again:\n    sudo apt-get update && sudo apt-get install -y prometheus")
	}
	cmd := exec.Command(path, args...)
	cmd.Dir, cmd.Stdin = "prometheus", strings.NewReader(input)
	if filepath.IsAbs(args[len(args)-1]) {
		cmd.Dir = ""
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

func TestPrometheusReadsItsFiles(t *testing.T) {
	// It looks for the files that are named, which stand where the container has them.
	made := secrets(t)
	config := strings.ReplaceAll(readFile(t, "prometheus/prometheus.yaml"), "/run/secrets/", made+"/")
	for name, text := range map[string]string{"prometheus.yaml": config, "alerts.yaml": readFile(t, "prometheus/alerts.yaml")} {
		if err := os.WriteFile(filepath.Join(made, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	promtool(t, "check", "config", filepath.Join(made, "prometheus.yaml"))
	promtool(t, "check", "rules", "--lint=all", "--lint-fatal", "alerts.yaml")
}

// Each alert fires in one test and is silent in another.
func TestAlerts(t *testing.T) {
	promtool(t, "test", "rules", "alerts.test.yaml")
	fires, silent := map[string]bool{}, map[string]bool{}
	var tests alertTests
	if err := strictly(readFile(t, "prometheus/alerts.test.yaml"), &tests); err != nil {
		t.Fatal(err)
	}
	for _, test := range tests.Tests {
		for _, a := range test.AlertRuleTest {
			if len(a.ExpAlerts) > 0 {
				fires[a.AlertName] = true
			} else {
				silent[a.AlertName] = true
			}
		}
	}
	for _, group := range alerts(t).Groups {
		for _, r := range group.Rules {
			if !fires[r.Alert] || !silent[r.Alert] {
				t.Errorf("%s: a test sees it fire: %v, another sees it silent: %v", r.Alert, fires[r.Alert], silent[r.Alert])
			}
			if !slices.Contains([]string{"now", "today"}, r.Labels["severity"]) || len(r.Labels) != 1 {
				t.Errorf("%s: labels %v", r.Alert, r.Labels)
			}
			if r.Annotations["summary"] == "" || r.Annotations["do"] == "" || len(r.Annotations) != 2 {
				t.Errorf("%s: say what is wrong (summary) and what to do first (do)", r.Alert)
			}
		}
	}
}

func alerts(t *testing.T) alertFile {
	t.Helper()
	var file alertFile
	if err := strictly(readFile(t, "prometheus/alerts.yaml"), &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Groups) != 1 || len(file.Groups[0].Rules) < 8 {
		t.Fatalf("alerts.yaml has %d groups", len(file.Groups))
	}
	return file
}

// metricsUsed are the daemon's metrics that alerts look at, without the endings
// of a histogram.
func metricsUsed(t *testing.T) []string {
	t.Helper()
	found := map[string]bool{}
	for _, r := range alerts(t).Groups[0].Rules {
		for _, name := range regexp.MustCompile(`custody_[a-z_]+`).FindAllString(r.Expr, -1) {
			found[strings.TrimSuffix(name, "_bucket")] = true
		}
	}
	var names []string
	for name := range found {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}
