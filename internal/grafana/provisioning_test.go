package grafana

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// The files for Grafana name the sources and folders that there are, and hold no
// secret.
func TestProvisioning(t *testing.T) {
	read := func(name string, to any) {
		t.Helper()
		text, err := os.ReadFile(filepath.Join(where, "provisioning", name, "dryhold.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if err := yaml.UnmarshalWithOptions(text, to, yaml.Strict()); err != nil {
			t.Fatal(err)
		}
	}
	var sources struct {
		APIVersion  int `yaml:"apiVersion"`
		Datasources []struct {
			Name, UID, Type, Access, URL string
			JSONData                     map[string]string `yaml:"jsonData"`
			Secure                       map[string]string `yaml:"secureJsonData"`
		}
	}
	read("datasources", &sources)
	var types []string
	for _, s := range sources.Datasources {
		types = append(types, s.Type)
		if s.UID == "" || s.Access != "proxy" || !strings.Contains(s.URL, "hearth.lan") {
			t.Errorf("%+v", s)
		}
		for key, secret := range s.Secure {
			if !strings.HasPrefix(secret, "$__file{") {
				t.Errorf("%s of %s does not come from a file", key, s.Name)
			}
		}
		if s.Type == string(influxSource) && (s.JSONData["version"] != "Flux" || s.JSONData["defaultBucket"] == "" || s.JSONData["organization"] == "") {
			t.Errorf("%+v", s)
		}
	}
	slices.Sort(types)
	if want := []string{string(influxSource), string(prometheusSource)}; sources.APIVersion != 1 || !slices.Equal(types, want) {
		t.Errorf("sources of %q, want %q", types, want)
	}

	var providers struct {
		APIVersion int `yaml:"apiVersion"`
		Providers  []struct {
			Name, Type, Folder string
			AllowUIUpdates     bool `yaml:"allowUiUpdates"`
			UpdateInterval     int  `yaml:"updateIntervalSeconds"`
			Options            struct{ Path string }
		}
	}
	read("dashboards", &providers)
	var folders []string
	for _, p := range providers.Providers {
		folders = append(folders, filepath.Base(p.Options.Path))
		if p.Type != "file" || p.Folder != "dryhold" || p.AllowUIUpdates || p.UpdateInterval == 0 {
			t.Errorf("%+v", p)
		}
	}
	slices.Sort(folders)
	if !slices.Equal(folders, types) || providers.APIVersion != 1 {
		t.Errorf("dashboards from %q, want %q", folders, types)
	}
	// Within a folder of Grafana no two have one title.
	titles := map[string]bool{}
	for _, b := range files(t, prometheusSource, influxSource) {
		if titles[b.Title] {
			t.Errorf("two are called %q", b.Title)
		}
		titles[b.Title] = true
	}
}
