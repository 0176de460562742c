package deploy_test

import (
	"fmt"
	"maps"
	"net/http"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// The types below are what the manifests use of the Kubernetes API (apps/v1,
// core/v1, policy/v1, networking.k8s.io/v1), field names as in its reference. A key
// that is not here is a mistake, or wants a field and a look.
type (
	labels map[string]string

	metadata struct {
		Name   string `yaml:"name"`
		Labels labels `yaml:"labels"`
	}
	selector struct {
		MatchLabels labels `yaml:"matchLabels"`
	}

	object struct {
		APIVersion string   `yaml:"apiVersion"`
		Kind       string   `yaml:"kind"`
		Metadata   metadata `yaml:"metadata"`
	}
	configMap struct {
		object `yaml:",inline"`
		Data   map[string]string `yaml:"data"`
	}
	secret struct {
		object     `yaml:",inline"`
		Type       string            `yaml:"type"`
		StringData map[string]string `yaml:"stringData"`
	}
	service struct {
		object `yaml:",inline"`
		Spec   struct {
			ClusterIP                string `yaml:"clusterIP"`
			PublishNotReadyAddresses bool   `yaml:"publishNotReadyAddresses"`
			Selector                 labels `yaml:"selector"`
			Ports                    []struct {
				Name       string `yaml:"name"`
				Port       int    `yaml:"port"`
				TargetPort string `yaml:"targetPort"`
			} `yaml:"ports"`
		} `yaml:"spec"`
	}
	// workload is a StatefulSet or a Deployment.
	workload struct {
		object `yaml:",inline"`
		Spec   struct {
			ServiceName         string `yaml:"serviceName"`         // StatefulSet
			PodManagementPolicy string `yaml:"podManagementPolicy"` // StatefulSet
			Strategy            struct {
				Type          string `yaml:"type"`
				RollingUpdate struct {
					MaxUnavailable int `yaml:"maxUnavailable"`
					MaxSurge       int `yaml:"maxSurge"`
				} `yaml:"rollingUpdate"`
			} `yaml:"strategy"` // Deployment
			Replicas             int           `yaml:"replicas"`
			Selector             selector      `yaml:"selector"`
			Template             template      `yaml:"template"`
			VolumeClaimTemplates []volumeClaim `yaml:"volumeClaimTemplates"` // StatefulSet
		} `yaml:"spec"`
	}
	template struct {
		Metadata metadata `yaml:"metadata"`
		Spec     pod      `yaml:"spec"`
	}
	pod struct {
		AutomountServiceAccountToken  *bool `yaml:"automountServiceAccountToken"`
		TerminationGracePeriodSeconds int   `yaml:"terminationGracePeriodSeconds"`
		Affinity                      struct {
			PodAntiAffinity struct {
				Required  []affinityTerm `yaml:"requiredDuringSchedulingIgnoredDuringExecution"`
				Preferred []struct {
					Weight          int          `yaml:"weight"`
					PodAffinityTerm affinityTerm `yaml:"podAffinityTerm"`
				} `yaml:"preferredDuringSchedulingIgnoredDuringExecution"`
			} `yaml:"podAntiAffinity"`
		} `yaml:"affinity"`
		SecurityContext struct {
			RunAsNonRoot        bool   `yaml:"runAsNonRoot"`
			RunAsUser           int    `yaml:"runAsUser"`
			RunAsGroup          int    `yaml:"runAsGroup"`
			FSGroup             int    `yaml:"fsGroup"`
			FSGroupChangePolicy string `yaml:"fsGroupChangePolicy"`
			SeccompProfile      struct {
				Type string `yaml:"type"`
			} `yaml:"seccompProfile"`
		} `yaml:"securityContext"`
		Containers []container `yaml:"containers"`
		Volumes    []volume    `yaml:"volumes"`
	}
	affinityTerm struct {
		LabelSelector selector `yaml:"labelSelector"`
		TopologyKey   string   `yaml:"topologyKey"`
	}
	container struct {
		Name    string   `yaml:"name"`
		Image   string   `yaml:"image"`
		Args    []string `yaml:"args"`
		EnvFrom []struct {
			SecretRef struct {
				Name string `yaml:"name"`
			} `yaml:"secretRef"`
		} `yaml:"envFrom"`
		Env []struct {
			Name      string `yaml:"name"`
			Value     string `yaml:"value"`
			ValueFrom struct {
				FieldRef struct {
					FieldPath string `yaml:"fieldPath"`
				} `yaml:"fieldRef"`
			} `yaml:"valueFrom"`
		} `yaml:"env"`
		Ports []struct {
			Name          string `yaml:"name"`
			ContainerPort int    `yaml:"containerPort"`
		} `yaml:"ports"`
		SecurityContext struct {
			AllowPrivilegeEscalation *bool `yaml:"allowPrivilegeEscalation"`
			ReadOnlyRootFilesystem   bool  `yaml:"readOnlyRootFilesystem"`
			Capabilities             struct {
				Drop []string `yaml:"drop"`
			} `yaml:"capabilities"`
		} `yaml:"securityContext"`
		Resources      resources `yaml:"resources"`
		StartupProbe   probe     `yaml:"startupProbe"`
		LivenessProbe  probe     `yaml:"livenessProbe"`
		ReadinessProbe probe     `yaml:"readinessProbe"`
		VolumeMounts   []struct {
			Name      string `yaml:"name"`
			MountPath string `yaml:"mountPath"`
			ReadOnly  bool   `yaml:"readOnly"`
		} `yaml:"volumeMounts"`
	}
	resources struct {
		Requests map[string]string `yaml:"requests"`
		Limits   map[string]string `yaml:"limits"`
	}
	probe struct {
		HTTPGet struct {
			Path   string `yaml:"path"`
			Port   string `yaml:"port"`
			Scheme string `yaml:"scheme"`
		} `yaml:"httpGet"`
		PeriodSeconds    int `yaml:"periodSeconds"`
		TimeoutSeconds   int `yaml:"timeoutSeconds"`
		FailureThreshold int `yaml:"failureThreshold"`
	}
	volume struct {
		Name      string `yaml:"name"`
		ConfigMap struct {
			Name string `yaml:"name"`
		} `yaml:"configMap"`
		Secret struct {
			SecretName  string `yaml:"secretName"`
			DefaultMode int    `yaml:"defaultMode"`
		} `yaml:"secret"`
		Claim struct {
			ClaimName string `yaml:"claimName"`
		} `yaml:"persistentVolumeClaim"`
	}
	volumeClaim struct {
		object `yaml:",inline"`
		Spec   struct {
			AccessModes []string  `yaml:"accessModes"`
			Resources   resources `yaml:"resources"`
		} `yaml:"spec"`
	}
	disruptionBudget struct {
		object `yaml:",inline"`
		Spec   struct {
			MaxUnavailable int      `yaml:"maxUnavailable"`
			MinAvailable   int      `yaml:"minAvailable"`
			Selector       selector `yaml:"selector"`
		} `yaml:"spec"`
	}
	networkPolicy struct {
		object `yaml:",inline"`
		Spec   struct {
			PodSelector selector `yaml:"podSelector"`
			PolicyTypes []string `yaml:"policyTypes"`
			Ingress     []struct {
				From []struct {
					PodSelector selector `yaml:"podSelector"`
				} `yaml:"from"`
				Ports []struct {
					Protocol string `yaml:"protocol"`
					Port     int    `yaml:"port"`
				} `yaml:"ports"`
			} `yaml:"ingress"`
		} `yaml:"spec"`
	}
)

// manifests are the objects of one file.
type manifests struct {
	file      string
	configs   []configMap
	secrets   []secret
	services  []service
	workloads []workload
	budgets   []disruptionBudget
	policies  []networkPolicy
	claims    []volumeClaim
}

// readManifests reads every document of a file strictly, each as what its kind and
// version say it is.
func readManifests(t *testing.T, name string) manifests {
	t.Helper()
	m := manifests{file: name}
	for i, doc := range strings.Split(readFile(t, filepath.Join("kubernetes", name)), "\n---\n") {
		if err := m.add(doc); err != nil {
			t.Fatalf("%s: document %d: %v", name, i+1, err)
		}
	}
	return m
}

func (m *manifests) add(doc string) error {
	kind := ""
	for line := range strings.Lines(doc) {
		for _, key := range []string{"apiVersion: ", "kind: "} {
			if rest, ok := strings.CutPrefix(line, key); ok {
				kind += strings.TrimSpace(rest) + " "
			}
		}
	}
	switch strings.TrimSpace(kind) {
	case "v1 ConfigMap":
		return read(doc, &m.configs)
	case "v1 Secret":
		return read(doc, &m.secrets)
	case "v1 Service":
		return read(doc, &m.services)
	case "apps/v1 StatefulSet", "apps/v1 Deployment":
		return read(doc, &m.workloads)
	case "policy/v1 PodDisruptionBudget":
		return read(doc, &m.budgets)
	case "v1 PersistentVolumeClaim":
		return read(doc, &m.claims)
	case "networking.k8s.io/v1 NetworkPolicy":
		return read(doc, &m.policies)
	}
	return fmt.Errorf("unknown kind %q", kind)
}

func read[T any](doc string, into *[]T) error {
	var one T
	if err := strictly(doc, &one); err != nil {
		return err
	}
	*into = append(*into, one)
	return nil
}

// The reader must bite.
func TestManifestReaderBites(t *testing.T) {
	for doc, want := range map[string]string{
		"apiVersion: v1\nkind: Service\nmetadata: {name: a}\nspec: {selectr: {a: b}}": "selectr",
		"apiVersion: v2\nkind: Service\nmetadata: {name: a}":                          "unknown kind",
		"apiVersion: apps/v1\nkind: DaemonSet\nmetadata: {name: a}":                   "unknown kind",
		"apiVersion: apps/v1\nkind: Deployment\nspec: {replicas: many}":               "cannot unmarshal",
		"apiVersion: v1\nkind: Service\nkind: Service":                                "unknown kind",
		"apiVersion: v1\nkind: ConfigMap\ndata: {a: b, a: c}":                         "already defined",
	} {
		if err := new(manifests).add(doc); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", doc, err, want)
		}
	}
}

func TestManifests(t *testing.T) {
	known := readManifests(t, "secrets.example.yaml").secrets
	for _, name := range []string{"single.yaml", "cluster.yaml"} {
		t.Run(name, func(t *testing.T) {
			m := readManifests(t, name)
			if len(m.workloads) == 0 || len(m.services) != len(m.workloads) || len(m.policies) != len(m.workloads) {
				t.Fatalf("%d workloads, %d services, %d network policies", len(m.workloads), len(m.services), len(m.policies))
			}
			for _, w := range m.workloads {
				t.Run(w.Metadata.Name, func(t *testing.T) { checkWorkload(t, m, w, known) })
			}
		})
	}
}

func checkWorkload(t *testing.T, m manifests, w workload, known []secret) {
	pod, own := w.Spec.Template.Spec, w.Spec.Template.Metadata.Labels
	if len(own) == 0 || !maps.Equal(own, w.Spec.Selector.MatchLabels) {
		t.Errorf("it looks for %v and makes %v", w.Spec.Selector.MatchLabels, own)
	}
	if pod.AutomountServiceAccountToken == nil || *pod.AutomountServiceAccountToken {
		t.Error("it carries a token of the cluster")
	}
	sc := pod.SecurityContext
	if !sc.RunAsNonRoot || sc.RunAsUser != 65532 || sc.RunAsGroup != 65532 || sc.FSGroup != 65532 || sc.SeccompProfile.Type != "RuntimeDefault" {
		t.Errorf("it runs as %+v", sc)
	}
	if pod.TerminationGracePeriodSeconds != 60 || len(pod.Containers) != 1 {
		t.Fatalf("%d s to end, %d containers", pod.TerminationGracePeriodSeconds, len(pod.Containers))
	}
	c := pod.Containers[0]
	if s := c.SecurityContext; s.AllowPrivilegeEscalation == nil || *s.AllowPrivilegeEscalation || !s.ReadOnlyRootFilesystem || !slices.Equal(s.Capabilities.Drop, []string{"ALL"}) {
		t.Errorf("it may do too much: %+v", s)
	}
	if c.Resources.Requests["memory"] == "" || c.Resources.Limits["memory"] == "" {
		t.Errorf("its memory has no limit: %+v", c.Resources)
	}
	ports := map[string]int{}
	for _, p := range c.Ports {
		ports[p.Name] = p.ContainerPort
	}
	for name, p := range map[string]probe{"startup": c.StartupProbe, "liveness": c.LivenessProbe, "readiness": c.ReadinessProbe} {
		if ports[p.HTTPGet.Port] == 0 || p.PeriodSeconds == 0 || p.TimeoutSeconds == 0 || p.FailureThreshold == 0 {
			t.Errorf("the %s probe: %+v", name, p)
		}
	}
	found := 0
	for _, s := range m.services {
		if !maps.Equal(s.Spec.Selector, own) {
			continue
		}
		found++
		for _, p := range s.Spec.Ports {
			if ports[p.TargetPort] == 0 || p.Port == 0 {
				t.Errorf("the service %s leads to port %q", s.Metadata.Name, p.TargetPort)
			}
		}
		if w.Kind == "StatefulSet" && w.Spec.ServiceName != s.Metadata.Name {
			t.Errorf("serviceName is %q, the service is %s", w.Spec.ServiceName, s.Metadata.Name)
		}
	}
	if found != 1 {
		t.Errorf("%d services lead to it", found)
	}
	guarded := 0
	for _, p := range m.policies {
		if maps.Equal(p.Spec.PodSelector.MatchLabels, own) && slices.Equal(p.Spec.PolicyTypes, []string{"Ingress"}) {
			guarded++
			for _, in := range p.Spec.Ingress {
				if len(in.From) == 0 || len(in.Ports) == 0 || !slices.Contains(slices.Collect(maps.Values(ports)), in.Ports[0].Port) {
					t.Errorf("the network policy lets everybody in, or nobody: %+v", in)
				}
			}
		}
	}
	if guarded != 1 {
		t.Errorf("%d network policies guard it", guarded)
	}
	budgets := 0
	for _, b := range m.budgets {
		if maps.Equal(b.Spec.Selector.MatchLabels, own) {
			budgets++
			if left := w.Spec.Replicas - b.Spec.MaxUnavailable; b.Spec.MaxUnavailable > 0 && left <= w.Spec.Replicas/2 || b.Spec.MinAvailable >= w.Spec.Replicas {
				t.Errorf("of %d copies: %+v", w.Spec.Replicas, b.Spec)
			}
		}
	}
	if (w.Spec.Replicas > 1) != (budgets == 1) {
		t.Errorf("%d copies and %d disruption budgets", w.Spec.Replicas, budgets)
	}
	files := checkVolumes(t, m, w, known)
	switch w.Metadata.Name {
	case "custodyd":
		checkDaemon(t, w, c, files)
	case "nats":
		checkServers(t, w, c, known)
	default:
		t.Errorf("nobody checks %s", w.Metadata.Name)
	}
}

// checkVolumes gives the files that are mounted, with their text; "" marks a folder
// to write to.
func checkVolumes(t *testing.T, m manifests, w workload, known []secret) map[string]string {
	t.Helper()
	files := map[string]string{}
	for _, mount := range w.Spec.Template.Spec.Containers[0].VolumeMounts {
		found := 0
		for _, v := range w.Spec.Template.Spec.Volumes {
			if v.Name != mount.Name {
				continue
			}
			content := map[string]string{}
			for _, c := range m.configs {
				if c.Metadata.Name == v.ConfigMap.Name {
					content = c.Data
				}
			}
			for _, s := range known {
				if s.Metadata.Name == v.Secret.SecretName {
					content = s.StringData
					if v.Secret.DefaultMode != 0o440 {
						t.Errorf("the secret %s is mounted with mode %o", v.Name, v.Secret.DefaultMode)
					}
				}
			}
			// Several daemons write to one file, wherever they run.
			if i := slices.IndexFunc(m.claims, func(c volumeClaim) bool { return c.Metadata.Name == v.Claim.ClaimName }); i >= 0 {
				if !slices.Equal(m.claims[i].Spec.AccessModes, []string{"ReadWriteMany"}) || mount.ReadOnly {
					t.Errorf("the volume %s can't be shared: %+v", v.Name, m.claims[i].Spec)
				}
				files[mount.MountPath] = ""
				found++
				continue
			}
			if len(content) == 0 || !mount.ReadOnly {
				t.Errorf("the volume %s holds nothing, or may be written to", v.Name)
			}
			for name, text := range content {
				files[mount.MountPath+"/"+name] = text
			}
			found++
		}
		for _, v := range w.Spec.VolumeClaimTemplates {
			if v.Metadata.Name == mount.Name {
				if v.Spec.Resources.Requests["storage"] != "20Gi" || !slices.Equal(v.Spec.AccessModes, []string{"ReadWriteOnce"}) {
					t.Errorf("the store is %+v", v.Spec)
				}
				files[mount.MountPath] = ""
				found++
			}
		}
		if found != 1 {
			t.Errorf("the mount %s has %d volumes", mount.Name, found)
		}
	}
	return files
}

// checkDaemon reads the settings as the daemon would find them.
func checkDaemon(t *testing.T, w workload, c container, files map[string]string) {
	if len(c.Args) != 2 || c.Args[0] != "--config" || files[c.Args[1]] == "" {
		t.Fatalf("args %q, files %q", c.Args, slices.Sorted(maps.Keys(files)))
	}
	s := settingsOf(t, c.Args[1], files[c.Args[1]])
	if s.Listen != fmt.Sprintf("0.0.0.0:%d", c.Ports[0].ContainerPort) {
		t.Errorf("it listens on %s", s.Listen)
	}
	for _, file := range filesOf(s) {
		if files[file] == "" {
			t.Errorf("the file %s is mounted nowhere", file)
		}
	}
	// Off the loopback it speaks TLS, with a certificate that has the service's names.
	if s.TLSCert == "" && (s.Data == "" || !slices.Contains(s.Names(), w.Metadata.Name) || !slices.Contains(s.Names(), w.Metadata.Name+".custody.svc")) {
		t.Errorf("the names of its certificate are %q", s.Names())
	}
	for _, p := range []probe{c.StartupProbe, c.LivenessProbe, c.ReadinessProbe} {
		if p.HTTPGet.Scheme != "HTTPS" {
			t.Errorf("a probe asks by %q", p.HTTPGet.Scheme)
		}
	}
	if _, shared := files[filepath.Dir(s.IdentityKeys)]; s.NATS != "" && !shared {
		t.Errorf("the file %s is on no volume that the daemons share", s.IdentityKeys)
	}
	if _, written := files[s.Data]; (s.NATS == "") != (written && s.Data != "") {
		t.Errorf("nats %q, data %q", s.NATS, s.Data)
	}
	if (w.Spec.Replicas > 1) && s.NATS == "" {
		t.Error("several copies on one embedded store")
	}
	if c.StartupProbe.HTTPGet.Path != "/healthz" || c.LivenessProbe.HTTPGet.Path != "/healthz" || c.ReadinessProbe.HTTPGet.Path != "/readyz" {
		t.Error("the probes ask something else")
	}
}

// checkServers compares variables, secrets and addresses of the NATS servers.
func checkServers(t *testing.T, w workload, c container, known []secret) {
	var have []string
	values := map[string]string{}
	for _, e := range c.Env {
		values[e.Name] = e.Value + e.ValueFrom.FieldRef.FieldPath
		have = append(have, e.Name)
	}
	for _, s := range known {
		for _, from := range c.EnvFrom {
			if from.SecretRef.Name == s.Metadata.Name {
				have = slices.AppendSeq(have, maps.Keys(s.StringData))
			}
		}
	}
	have = slices.DeleteFunc(have, func(n string) bool { return n == "GOMEMLIMIT" })
	slices.Sort(have)
	if want := natsVariables(t); !slices.Equal(have, want) {
		t.Errorf("it has the variables\n%q\nthe file wants\n%q", have, want)
	}
	if values["CUSTODY_NATS_NAME"] != "metadata.name" || values["CUSTODY_NATS_STORE"] != c.VolumeMounts[0].MountPath || values["GOMEMLIMIT"] == "" {
		t.Errorf("%v", values)
	}
	if w.Spec.Replicas != 3 || len(w.Spec.Template.Spec.Affinity.PodAntiAffinity.Required) != 1 || w.Spec.PodManagementPolicy != "Parallel" {
		t.Error("three servers start together on three nodes")
	}
	_, images := stagesOf(t)
	if cmd := words(t, images["nats"].all("CMD")[0]); !slices.Equal(c.Args, cmd) {
		t.Errorf("args %q, the image's are %q", c.Args, cmd)
	}
}

// The example of secrets has the names that secrets.sh makes, and the same
// settings but for the values.
func TestSecretsExample(t *testing.T) {
	folder := secrets(t, "nats-0.nats", "nats-1.nats", "nats-2.nats")
	for _, s := range readManifests(t, "secrets.example.yaml").secrets {
		if s.Type != "Opaque" {
			t.Errorf("%s is %q", s.Metadata.Name, s.Type)
		}
		for name, value := range s.StringData {
			if name != "custodyd.yaml" && !strings.Contains(value, "CHANGE-ME") {
				t.Errorf("%s of %s is no placeholder", name, s.Metadata.Name)
			}
		}
		switch s.Metadata.Name {
		case "custody-nats":
			env := environmentOf(t, filepath.Join(folder, "nats.env"))
			if got, want := slices.Sorted(maps.Keys(s.StringData)), slices.Sorted(maps.Keys(env)); !slices.Equal(got, want) {
				t.Errorf("%q, secrets.sh makes %q", got, want)
			}
			want := strings.ReplaceAll(env["CUSTODY_NATS_ROUTES"], env["CUSTODY_NATS_ROUTE_PASSWORD"], "CHANGE-ME")
			if got := s.StringData["CUSTODY_NATS_ROUTES"]; got != want {
				t.Errorf("routes %q, secrets.sh makes %q", got, want)
			}
		case "custody":
			want := settingsOf(t, "custodyd.yaml", readFile(t, filepath.Join(folder, "custodyd.yaml")))
			names := []string{"custodyd.yaml"}
			for _, file := range filesOf(want) {
				names = append(names, filepath.Base(file))
			}
			slices.Sort(names)
			if got := slices.Sorted(maps.Keys(s.StringData)); !slices.Equal(got, names) {
				t.Errorf("%q, the settings name %q", got, names)
			}
			for name, user := range map[string]string{"nats.login": "daemon", "operator.login": "operator"} {
				if made, _, _ := strings.Cut(readFile(t, filepath.Join(folder, name)), ":"); made != user || s.StringData[name] != user+":CHANGE-ME" {
					t.Errorf("%s is for %s, and %q here", name, made, s.StringData[name])
				}
			}
			if got := settingsOf(t, "custodyd.yaml", s.StringData["custodyd.yaml"]); !reflect.DeepEqual(got, want) {
				t.Errorf("%+v, secrets.sh makes %+v", got, want)
			}
		case "custody-key":
		default:
			t.Errorf("nobody wants %s", s.Metadata.Name)
		}
	}
}

// The servers answer on the paths that the probes ask.
func TestProbesOfNATS(t *testing.T) {
	c := startNATS(t)
	for _, w := range readManifests(t, "cluster.yaml").workloads {
		if w.Metadata.Name != "nats" {
			continue
		}
		k := w.Spec.Template.Spec.Containers[0]
		for _, p := range []probe{k.StartupProbe, k.LivenessProbe, k.ReadinessProbe} {
			url := "http://" + c.servers[0].MonitorAddr().String() + p.HTTPGet.Path
			req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
			if err != nil {
				t.Fatal(err)
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Fatal(err)
			}
			_ = resp.Body.Close()
			if resp.StatusCode != http.StatusOK {
				t.Errorf("%s: %d", p.HTTPGet.Path, resp.StatusCode)
			}
		}
	}
}
