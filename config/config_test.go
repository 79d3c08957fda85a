package config_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dryhold/config"
)

// What is embedded is what lies in the tree, so that a file is not forgotten.
func TestEmbedded(t *testing.T) {
	f := func(folder string, least int, embedded func() ([]config.File, error)) {
		t.Helper()
		names, err := filepath.Glob(folder + "/*")
		if err != nil || len(names) < least {
			t.Fatalf("files of %s: %v, %v", folder, names, err)
		}
		files, err := embedded()
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, f := range files {
			got = append(got, strings.TrimPrefix(f.Name, "config/"))
			want, err := os.ReadFile(strings.TrimPrefix(f.Name, "config/"))
			if err != nil || string(want) != string(f.Data) {
				t.Errorf("%s differs from the file in the tree (%v)", f.Name, err)
			}
		}
		if !slices.Equal(got, names) {
			t.Errorf("embedded %v, in the tree %v", got, names)
		}
	}
	f("catalog", 6, config.Catalog)
	f("manual", 10, config.Manual)
	want, err := os.ReadFile("dryhold.example.yaml")
	if err != nil || string(want) != config.Example() {
		t.Errorf("the example differs from the file in the tree (%v)", err)
	}
	want, err = os.ReadFile("schema/notice.schema.json")
	if err != nil || string(want) != config.NoticeSchema() {
		t.Errorf("the schema of notices differs from the file in the tree (%v)", err)
	}
}

func TestCatalogIsACopy(t *testing.T) {
	first, err := config.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	first[0].Data[0] ^= 0xff
	second, err := config.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	if first[0].Data[0] == second[0].Data[0] {
		t.Error("a caller can change what is embedded")
	}
}
