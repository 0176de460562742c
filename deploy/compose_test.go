package deploy_test

import (
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// composeFile is what deploy/compose.yaml uses of the Compose specification; a key
// that is not here is a mistake, or wants a field and a look.
type composeFile struct {
	Name     string                    `yaml:"name"`
	NATS     composeService            `yaml:"x-nats"`
	Custodyd composeService            `yaml:"x-custodyd"`
	Services map[string]composeService `yaml:"services"`
	Networks map[string]struct {
		Internal bool `yaml:"internal"`
	} `yaml:"networks"`
	Volumes map[string]struct{} `yaml:"volumes"`
	Secrets map[string]struct {
		File string `yaml:"file"`
	} `yaml:"secrets"`
}

type composeService struct {
	Image           string            `yaml:"image"`
	Build           composeBuild      `yaml:"build"`
	Command         []string          `yaml:"command"`
	Restart         string            `yaml:"restart"`
	StopGracePeriod string            `yaml:"stop_grace_period"`
	ReadOnly        bool              `yaml:"read_only"`
	CapDrop         []string          `yaml:"cap_drop"`
	SecurityOpt     []string          `yaml:"security_opt"`
	MemLimit        string            `yaml:"mem_limit"`
	EnvFile         []string          `yaml:"env_file"`
	Environment     map[string]string `yaml:"environment"`
	Volumes         []string          `yaml:"volumes"`
	Secrets         []string          `yaml:"secrets"`
	DependsOn       []string          `yaml:"depends_on"`
	Networks        []string          `yaml:"networks"`
	Ports           []string          `yaml:"ports"`
}

type composeBuild struct {
	Context    string `yaml:"context"`
	Dockerfile string `yaml:"dockerfile"`
	Target     string `yaml:"target"`
}

func readCompose(t *testing.T) composeFile {
	t.Helper()
	var c composeFile
	if err := strictly(readFile(t, "compose.yaml"), &c); err != nil {
		t.Fatalf("compose.yaml: %v", err)
	}
	return c
}

func TestCompose(t *testing.T) {
	c := readCompose(t)
	if got := slices.Sorted(maps.Keys(c.Services)); !slices.Equal(got, []string{"custodyd-0", "custodyd-1", "nats-0", "nats-1", "nats-2", "prometheus"}) {
		t.Errorf("services %q", got)
	}
	_, images := stagesOf(t)
	made := secrets(t)
	for name, s := range c.Services {
		if s.Build != (composeBuild{}) {
			if _, err := os.Stat(filepath.Join(s.Build.Context, s.Build.Dockerfile)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			if images[s.Build.Target].name == "" {
				t.Errorf("%s is built from the stage %q", name, s.Build.Target)
			}
			if !s.ReadOnly {
				t.Errorf("%s may write to its root", name)
			}
		}
		if s.Image == "" || !strings.Contains(s.Image, ":") || strings.HasSuffix(s.Image, ":latest") {
			t.Errorf("%s: the image %q has no version", name, s.Image)
		}
		if !slices.Equal(s.CapDrop, []string{"ALL"}) || !slices.Contains(s.SecurityOpt, "no-new-privileges:true") || s.Restart == "" || s.MemLimit == "" {
			t.Errorf("%s is not fenced in: %+v", name, s)
		}
		for _, n := range s.Networks {
			if _, ok := c.Networks[n]; !ok {
				t.Errorf("%s: no network %s", name, n)
			}
		}
		for _, d := range s.DependsOn {
			if _, ok := c.Services[d]; !ok {
				t.Errorf("%s: no service %s", name, d)
			}
		}
		for _, p := range s.Ports {
			if !strings.HasPrefix(p, "127.0.0.1:") || strings.Count(p, ":") != 2 {
				t.Errorf("%s: %s is reached from elsewhere", name, p)
			}
		}
		for _, f := range s.EnvFile {
			if path.Dir(f) != "secrets" {
				t.Errorf("%s: env_file %s", name, f)
			} else if _, err := os.Stat(filepath.Join(made, path.Base(f))); err != nil {
				t.Errorf("%s: secrets.sh makes no %s", name, f)
			}
		}
		for _, secret := range s.Secrets {
			file := c.Secrets[secret].File
			if _, err := os.Stat(filepath.Join(made, path.Base(file))); err != nil || path.Dir(file) != "secrets" {
				t.Errorf("%s: the secret %s is the file %q, which secrets.sh doesn't make", name, secret, file)
			}
		}
		for _, v := range s.Volumes {
			source, rest, _ := strings.Cut(v, ":")
			if strings.HasPrefix(source, "./") {
				if _, err := os.Stat(source); err != nil || !strings.HasSuffix(rest, ":ro") {
					t.Errorf("%s: %s: %v", name, v, err)
				}
			} else if _, ok := c.Volumes[source]; !ok {
				t.Errorf("%s: no volume %s", name, source)
			}
		}
	}
	composeOfDaemons(t, c, made)
	composeOfServers(t, c, made)
	composeOfPrometheus(t, c)
}

// The daemons' settings lead to the servers of the file, with secrets that are there.
func composeOfDaemons(t *testing.T, c composeFile, made string) {
	s := settingsOf(t, "custodyd.yaml", readFile(t, filepath.Join(made, "custodyd.yaml")))
	for _, name := range []string{"custodyd-0", "custodyd-1"} {
		d := c.Services[name]
		if !slices.Equal(d.Command, []string{"--config", "/run/secrets/custodyd.yaml"}) || !slices.Contains(d.Secrets, "custodyd.yaml") {
			t.Errorf("%s: command %q, secrets %q", name, d.Command, d.Secrets)
		}
		for _, file := range filesOf(s) {
			if !slices.Contains(d.Secrets, strings.TrimPrefix(file, "/run/secrets/")) {
				t.Errorf("%s has not the file %s", name, file)
			}
		}
		if !slices.Contains(d.Volumes, "identity:"+filepath.Dir(s.IdentityKeys)) {
			t.Errorf("%s doesn't share the file %s: %q", name, s.IdentityKeys, d.Volumes)
		}
		if d.StopGracePeriod != "60s" {
			t.Errorf("%s is killed after %s", name, d.StopGracePeriod)
		}
		for _, url := range strings.Split(s.NATS, ",") {
			host := strings.TrimSuffix(strings.TrimPrefix(url, "nats://"), ":4222")
			server, ok := c.Services[host]
			if !ok || !slices.Contains(d.DependsOn, host) || !share(server.Networks, d.Networks) {
				t.Errorf("%s can't reach %s", name, host)
			}
		}
	}
}

// The servers have every variable that their file wants, each its own name and volume.
func composeOfServers(t *testing.T, c composeFile, made string) {
	volumes := map[string]bool{}
	for _, name := range []string{"nats-0", "nats-1", "nats-2"} {
		s := c.Services[name]
		have := slices.Collect(maps.Keys(s.Environment))
		for _, f := range s.EnvFile {
			have = slices.AppendSeq(have, maps.Keys(environmentOf(t, filepath.Join(made, path.Base(f)))))
		}
		have = slices.DeleteFunc(have, func(n string) bool { return n == "GOMEMLIMIT" })
		slices.Sort(have)
		if want := natsVariables(t); !slices.Equal(have, want) {
			t.Errorf("%s has the variables\n%q\nits file wants\n%q", name, have, want)
		}
		if s.Environment["CUSTODY_NATS_NAME"] != name || s.Environment["GOMEMLIMIT"] == "" {
			t.Errorf("%s: %v", name, s.Environment)
		}
		source, target, _ := strings.Cut(s.Volumes[0], ":")
		if volumes[source] || target != s.Environment["CUSTODY_NATS_STORE"] {
			t.Errorf("%s keeps its store in %s", name, s.Volumes[0])
		}
		volumes[source] = true
		for _, n := range s.Networks {
			if !c.Networks[n].Internal {
				t.Errorf("%s stands on the network %s, which leads out", name, n)
			}
		}
	}
}

// Prometheus asks the daemons of the file, and finds its files.
func composeOfPrometheus(t *testing.T, c composeFile) {
	var p struct {
		Global struct {
			ScrapeInterval     string `yaml:"scrape_interval"`
			EvaluationInterval string `yaml:"evaluation_interval"`
		} `yaml:"global"`
		RuleFiles     []string `yaml:"rule_files"`
		ScrapeConfigs []struct {
			JobName   string `yaml:"job_name"`
			Scheme    string `yaml:"scheme"`
			TLSConfig struct {
				CAFile string `yaml:"ca_file"`
			} `yaml:"tls_config"`
			Authorization struct {
				CredentialsFile string `yaml:"credentials_file"`
			} `yaml:"authorization"`
			StaticConfigs []struct {
				Targets []string          `yaml:"targets"`
				Labels  map[string]string `yaml:"labels"`
			} `yaml:"static_configs"`
		} `yaml:"scrape_configs"`
	}
	if err := strictly(readFile(t, "prometheus/prometheus.yaml"), &p); err != nil {
		t.Fatal(err)
	}
	if len(p.ScrapeConfigs) != 1 || p.ScrapeConfigs[0].JobName != "custodyd" || len(p.ScrapeConfigs[0].StaticConfigs) != 1 {
		t.Fatalf("the alerts look at the job custodyd: %+v", p)
	}
	static := p.ScrapeConfigs[0].StaticConfigs[0]
	if static.Labels["log"] == "" {
		t.Error("the alerts compare daemons by the label log")
	}
	var want []string
	prometheus := c.Services["prometheus"]
	for name, s := range c.Services {
		if s.Build.Target == "custodyd" {
			want = append(want, name+":8080")
			if !share(s.Networks, prometheus.Networks) {
				t.Errorf("Prometheus can't reach %s", name)
			}
		}
	}
	slices.Sort(want)
	if !slices.Equal(static.Targets, want) {
		t.Errorf("it asks %q, the daemons are %q", static.Targets, want)
	}
	job := p.ScrapeConfigs[0]
	if job.Scheme != "https" || job.TLSConfig.CAFile != settingsOf(t, "custodyd.yaml", readFile(t, filepath.Join(secrets(t), "custodyd.yaml"))).TLSCert {
		t.Errorf("it asks by %s and trusts %s", job.Scheme, job.TLSConfig.CAFile)
	}
	for _, file := range []string{job.TLSConfig.CAFile, job.Authorization.CredentialsFile} {
		if name, ok := strings.CutPrefix(file, "/run/secrets/"); !ok || !slices.Contains(prometheus.Secrets, name) {
			t.Errorf("Prometheus has no %s", file)
		}
	}
	for _, secret := range prometheus.Secrets {
		if secret == "tls.key" || strings.HasSuffix(secret, ".login") || secret == "custody.key" {
			t.Errorf("Prometheus has no use for %s", secret)
		}
	}
	for _, file := range append([]string{"prometheus.yaml"}, p.RuleFiles...) {
		mounted := "./prometheus/" + file + ":/etc/prometheus/" + file + ":ro"
		if !slices.Contains(prometheus.Volumes, mounted) {
			t.Errorf("Prometheus has no %s", mounted)
		}
	}
}

func share(a, b []string) bool {
	return slices.ContainsFunc(a, func(s string) bool { return slices.Contains(b, s) })
}
