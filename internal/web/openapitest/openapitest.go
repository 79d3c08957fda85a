// Package openapitest holds requests and answers against a document of OpenAPI
// 3.1, whose schemas are JSON Schema 2020-12. It is for tests.
package openapitest

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"mime"
	"sort"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

const at = "https://dryhold.invalid/openapi.json"

// Document is one that was read whole: every reference in it leads somewhere.
type Document struct {
	root     map[string]any
	compiler *jsonschema.Compiler
}

// Read reads a document and looks it over: that it is 3.1, that each operation
// has a name of its own, names its path's parameters and has answers, that
// references lead somewhere and that all schemas are schemas.
func Read(body []byte) (*Document, error) {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	root, is := v.(map[string]any)
	if version, _ := root["openapi"].(string); !is || !strings.HasPrefix(version, "3.1.") {
		return nil, fmt.Errorf("openapi is %q, want 3.1", root["openapi"])
	}
	d := &Document{root, jsonschema.NewCompiler()}
	d.compiler.AssertFormat()
	if err := d.compiler.AddResource(at, v); err != nil {
		return nil, err
	}
	if err := d.references(root); err != nil {
		return nil, err
	}
	for name := range d.find("#/components/schemas") {
		if _, err := d.schema("#/components/schemas/" + name); err != nil {
			return nil, err
		}
	}
	return d, d.operations()
}

func (d *Document) operations() error {
	ids := map[string]bool{}
	for path, item := range d.find("#/paths") {
		for method, o := range item.(map[string]any) {
			op := o.(map[string]any)
			id, _ := op["operationId"].(string)
			if id == "" || ids[id] {
				return fmt.Errorf("%s %s: the name %q is empty or not its own", method, path, id)
			}
			ids[id] = true
			if answers, _ := op["responses"].(map[string]any); len(answers) == 0 {
				return fmt.Errorf("%s has no answers", id)
			}
			var named []string
			for _, p := range d.parameters(op) {
				if p["in"] == "path" {
					named = append(named, "{"+p["name"].(string)+"}")
				}
			}
			var parts []string
			for part := range strings.SplitSeq(path, "/") {
				if strings.HasPrefix(part, "{") {
					parts = append(parts, part)
				}
			}
			sort.Strings(parts)
			sort.Strings(named)
			if strings.Join(parts, "") != strings.Join(named, "") {
				return fmt.Errorf("%s names the parameters %v of its path, want %v", id, named, parts)
			}
		}
	}
	return nil
}

// references follows every $ref below a value.
func (d *Document) references(v any) error {
	switch x := v.(type) {
	case map[string]any:
		if ref, is := x["$ref"].(string); is && d.find(ref) == nil {
			return fmt.Errorf("%s leads nowhere", ref)
		}
		for _, y := range x {
			if err := d.references(y); err != nil {
				return err
			}
		}
	case []any:
		for _, y := range x {
			if err := d.references(y); err != nil {
				return err
			}
		}
	}
	return nil
}

// find follows a pointer of JSON within the document; nil where there is none.
func (d *Document) find(pointer string) map[string]any {
	var v any = d.root
	for part := range strings.SplitSeq(strings.TrimPrefix(pointer, "#/"), "/") {
		x, _ := v.(map[string]any)
		if v = x[strings.NewReplacer("~1", "/", "~0", "~").Replace(part)]; v == nil {
			return nil
		}
	}
	x, _ := v.(map[string]any)
	return d.Schema(x)
}

func (d *Document) schema(pointer string) (*jsonschema.Schema, error) {
	s, err := d.compiler.Compile(at + pointer)
	if err != nil {
		return nil, fmt.Errorf("%s is no schema: %w", pointer, err)
	}
	return s, nil
}

func escaped(part string) string { return strings.NewReplacer("~", "~0", "/", "~1").Replace(part) }

func pointerTo(method, path string) string {
	return "#/paths/" + escaped(path) + "/" + strings.ToLower(method)
}

// parameters are those of an operation, with those it refers to.
func (d *Document) parameters(op map[string]any) (out []map[string]any) {
	list, _ := op["parameters"].([]any)
	for _, p := range list {
		out = append(out, d.Schema(p.(map[string]any)))
	}
	return out
}

// Body holds a request body against its schema.
func (d *Document) Body(method, path string, body []byte) error {
	return d.hold(pointerTo(method, path)+"/requestBody/content/application~1json/schema", body)
}

// Answer holds an answer against the document: its status, its media type, its
// body and the headers it must have.
func (d *Document) Answer(method, path string, status int, contentType string, body []byte) error {
	pointer := fmt.Sprintf("%s/responses/%d", pointerTo(method, path), status)
	answer := d.find(pointer)
	if answer == nil {
		return fmt.Errorf("%s %s is answered %d, which the document does not name", method, path, status)
	}
	content, _ := answer["content"].(map[string]any)
	if content == nil {
		if len(body) > 0 {
			return fmt.Errorf("%d has a body, and by the document none: %.200s", status, body)
		}
		return nil
	}
	media, _, err := mime.ParseMediaType(contentType)
	if err != nil {
		return fmt.Errorf("%d has the media type %q: %w", status, contentType, err)
	}
	as, is := content[media].(map[string]any)
	if !is {
		return fmt.Errorf("%d is %s, which the document does not name", status, media)
	}
	if as["schema"] == nil {
		return nil
	}
	pointer = cmp.Or(d.own(pointer), pointer) + "/content/" + escaped(media) + "/schema"
	if media != "application/x-ndjson" {
		return d.hold(pointer, body)
	}
	for line := range bytes.Lines(body) {
		if err := d.hold(pointer, line); err != nil {
			return err
		}
	}
	return nil
}

// own is where a reference at a pointer leads, "" where there is none.
func (d *Document) own(pointer string) string {
	i := strings.LastIndex(pointer, "/")
	ref, _ := d.find(pointer[:i])[pointer[i+1:]].(map[string]any)["$ref"].(string)
	return ref
}

func (d *Document) hold(pointer string, body []byte) error {
	s, err := d.schema(pointer)
	if err != nil {
		return err
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("no JSON: %w: %.200s", err, body)
	}
	return s.Validate(v)
}

// Schema gives a schema, or another part of the document, as it stands, with a
// reference at its root followed.
func (d *Document) Schema(s map[string]any) map[string]any {
	if ref, is := s["$ref"].(string); is {
		return d.find(ref)
	}
	return s
}

// BodySchema is that of a request body, nil where it has none.
func (d *Document) BodySchema(method, path string) map[string]any {
	return d.find(pointerTo(method, path) + "/requestBody/content/application~1json/schema")
}

// Parameters are those in the path or the query of an operation, by name, with
// their schemas.
func (d *Document) Parameters(method, path, in string) map[string]map[string]any {
	out := map[string]map[string]any{}
	for _, p := range d.parameters(d.find(pointerTo(method, path))) {
		if p["in"] == in {
			out[p["name"].(string)] = p["schema"].(map[string]any)
		}
	}
	return out
}

// Number is how a document writes one.
func Number(v any) (float64, bool) {
	n, is := v.(json.Number)
	if !is {
		return 0, false
	}
	f, err := n.Float64()
	return f, err == nil
}
