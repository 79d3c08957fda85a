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
	names, err := filepath.Glob("catalog/*")
	if err != nil || len(names) < 6 {
		t.Fatalf("catalog files %v, %v", names, err)
	}
	files, err := config.Catalog()
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
