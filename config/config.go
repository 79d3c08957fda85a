// Package config embeds what ships with dryhold: the catalog of food and
// container classes, the commented example configuration, the schema of notices
// and the manual. It only carries the bytes; package settings reads the first
// two, the command help shows the last.
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

// manualFiles holds the manual, a file for each topic.
//
//go:embed manual/*.md
var manualFiles embed.FS

// File is one shipped file.
type File struct {
	Name string // config/catalog/grains.yaml
	Data []byte
}

// Catalog gives the shipped catalog files, sorted by name. The bytes are a
// copy.
func Catalog() ([]File, error) { return shipped(catalogFiles, "catalog/*.yaml") }

// Manual gives the topics of the manual (config/manual/alarms.md), markdown,
// sorted by name. The bytes are a copy.
func Manual() ([]File, error) { return shipped(manualFiles, "manual/*.md") }

// shipped reads the files of a folder that is embedded.
func shipped(folder embed.FS, pattern string) ([]File, error) {
	names, err := fs.Glob(folder, pattern)
	if err != nil {
		return nil, fmt.Errorf("cannot list what is shipped as %s: %w", pattern, err)
	}
	var files []File
	for _, name := range names {
		data, err := folder.ReadFile(name)
		if err != nil {
			return nil, fmt.Errorf("cannot read the shipped file %s: %w", name, err)
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
