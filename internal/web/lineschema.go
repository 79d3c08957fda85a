package web

import (
	"encoding/json"
	"fmt"
	"strings"
)

// LineSchema is the JSON Schema (2020-12) of a line of JSON that holds a Go
// value, complete in itself.
func LineSchema(v any) ([]byte, error) {
	s := schemas{named: map[string]any{}}
	root, err := json.Marshal(s.of(v, false))
	if err != nil {
		return nil, fmt.Errorf("cannot write the schema of %T: %w", v, err)
	}
	var out map[string]any
	if err := json.Unmarshal(root, &out); err != nil {
		return nil, fmt.Errorf("cannot read the schema of %T: %w", v, err)
	}
	out["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	out["$defs"] = s.named
	body, err := json.MarshalIndent(out, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("cannot write the schema of %T: %w", v, err)
	}
	return []byte(strings.ReplaceAll(string(body), schemasPath, "#/$defs/") + "\n"), nil
}
