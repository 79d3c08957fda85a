// Package config embeds what ships with dryhold: the catalog of food and
// container classes, the commented example configuration and the schema of
// notices. It only carries the bytes; package settings reads them.
package config

import (
	"embed"
	"fmt"
	"io/fs"
)

// catalogFiles holds the shipped catalog.
//
//go:embed catalog/*.yaml
var catalogFiles embed.FS

// example holds the example configuration.
//
//go:embed dryhold.example.yaml
var example string

// noticeSchema describes the JSON of a notice.
//
//go:embed schema/notice.schema.json
var noticeSchema string

// File is one shipped file.
type File struct {
	Name string // config/catalog/grains.yaml
	Data []byte
}

// Catalog gives the shipped catalog files, sorted by name. The bytes are a
// copy.
func Catalog() ([]File, error) {
	names, err := fs.Glob(catalogFiles, "catalog/*.yaml")
	if err != nil {
		return nil, fmt.Errorf("cannot list the shipped catalog: %w", err)
	}
	var files []File
	for _, name := range names {
		data, err := catalogFiles.ReadFile(name)
		if err != nil {
			return nil, fmt.Errorf("cannot read the shipped catalog file %s: %w", name, err)
		}
		files = append(files, File{Name: "config/" + name, Data: data})
	}
	return files, nil
}

// Example is the commented example configuration.
func Example() string { return example }

// NoticeSchema is the JSON Schema (2020-12) of a notice, as webhooks and the
// MQTT topic get it.
func NoticeSchema() string { return noticeSchema }
