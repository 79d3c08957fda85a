package web

import (
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/web/openapitest"
)

// Whatever is asked, made from the schemas of the document or broken on
// purpose, the answer is one that the document names, and never a fault of the
// machine. What a schema takes is never refused as unreadable.
func TestGeneratedRequests(t *testing.T) {
	c, all := described(t), samples()
	operations := slices.DeleteFunc(operations(), func(o operation) bool { return o.media == mediaEvents })
	rapid.Check(t, func(t *rapid.T) {
		o := rapid.SampledFrom(operations).Draw(t, "operation")
		a := &request{method: o.method, path: o.path, token: adminToken}
		if s := all[o.id]; s.path != "" {
			a.path, _, _ = strings.Cut(s.path, "?")
		}
		if strings.Contains(o.path, "{") && rapid.Bool().Draw(t, "other path") {
			a.path = o.path
			for name := range c.document.Parameters(o.method, o.path, "path") {
				a.path = strings.ReplaceAll(a.path, "{"+name+"}", url.PathEscape(rapid.StringN(1, 20, 80).Filter(func(s string) bool { return s != "." && s != ".." }).Draw(t, name)))
			}
		}
		query := url.Values{}
		ps := c.document.Parameters(o.method, o.path, "query")
		for _, name := range slices.Sorted(maps.Keys(ps)) {
			if rapid.Bool().Draw(t, "with "+name) {
				query.Set(name, plainText(value(t, c.document, ps[name], 0)))
			}
		}
		for name := range query {
			if rapid.IntRange(0, 4).Draw(t, "break") == 0 {
				query.Set(name, rapid.String().Draw(t, "broken "+name))
			}
		}
		if len(query) > 0 {
			a.path += "?" + query.Encode()
		}
		whole := true
		if s := c.document.BodySchema(o.method, o.path); s != nil {
			body := value(t, c.document, s, 0)
			if rapid.IntRange(0, 2).Draw(t, "break the body") == 0 {
				whole, body = false, broken(t, body)
			}
			text, err := json.Marshal(body)
			if err != nil {
				t.Fatal(err)
			}
			a.body = string(text)
		}
		res := c.ask(a)
		for _, f := range faults(c.document, &o, res) {
			t.Errorf("%s %s %s: %s", a.method, a.path, a.body, f)
		}
		if res.StatusCode >= 500 || whole && res.StatusCode == http.StatusBadRequest {
			t.Errorf("%s %s %s is answered %d %s", a.method, a.path, a.body, res.StatusCode, res.body)
		}
	})
}

// value draws what a schema takes.
func value(t *rapid.T, d *openapitest.Document, s map[string]any, depth int) any {
	s = d.Schema(s)
	if words, is := s["enum"].([]any); is {
		return rapid.SampledFrom(words).Draw(t, "word")
	}
	if some, is := s["anyOf"].([]any); is {
		return value(t, d, rapid.SampledFrom(some).Draw(t, "one of").(map[string]any), depth)
	}
	is, _ := s["type"].(string)
	if several, many := s["type"].([]any); many {
		is = rapid.SampledFrom(several).Draw(t, "type").(string)
	}
	switch is {
	case "object":
		return members(t, d, s, depth)
	case "array":
		out := []any{}
		items, _ := s["items"].(map[string]any)
		for range rapid.IntRange(0, 3).Draw(t, "items") {
			out = append(out, value(t, d, items, depth+1))
		}
		return out
	case "string":
		at := time.Unix(rapid.Int64Range(-1<<33, 1<<34).Draw(t, "at"), 0).UTC()
		switch s["format"] {
		case "date-time":
			return at.Format(time.RFC3339)
		case "date":
			return at.Format(time.DateOnly)
		}
		return rapid.OneOf(rapid.SampledFrom([]string{"", "cellar", "loft", "white-rice", "white-rice-1", "C", "18 C", "8h", "mara", "warm"}), rapid.String()).Draw(t, "text")
	case "integer":
		low, high := -1<<31, 1<<31-1
		if n, has := openapitest.Number(s["minimum"]); has {
			low = int(n)
		}
		if n, has := openapitest.Number(s["maximum"]); has {
			high = int(n)
		}
		return rapid.OneOf(rapid.IntRange(low, high), rapid.IntRange(max(low, 0), min(high, 5))).Draw(t, "whole number")
	case "number":
		return rapid.OneOf(rapid.Float64Range(-1e300, 1e300), rapid.Float64Range(0, 10)).Draw(t, "number")
	case "boolean":
		return rapid.Bool().Draw(t, "yes")
	}
	return nil
}

func members(t *rapid.T, d *openapitest.Document, s map[string]any, depth int) map[string]any {
	out := map[string]any{}
	required, _ := s["required"].([]any)
	properties, _ := s["properties"].(map[string]any)
	for _, name := range slices.Sorted(maps.Keys(properties)) {
		if slices.Contains(required, any(name)) || depth < 4 && rapid.Bool().Draw(t, "with "+name) {
			out[name] = value(t, d, properties[name].(map[string]any), depth+1)
		}
	}
	return out
}

// broken is a body that is not what its schema takes, as a rule.
func broken(t *rapid.T, body any) any {
	m, is := body.(map[string]any)
	if !is || len(m) == 0 {
		return rapid.SampledFrom([]any{nil, 7, "text", []any{}, map[string]any{"nope": true}}).Draw(t, "broken")
	}
	name := rapid.SampledFrom(slices.Sorted(maps.Keys(m))).Draw(t, "member")
	switch rapid.IntRange(0, 3).Draw(t, "how") {
	case 0:
		delete(m, name)
	case 1:
		m["nope"] = 1
	default:
		m[name] = rapid.SampledFrom([]any{nil, -1, 1e308, "", strings.Repeat("x", 3000), "2026-13-45T99:99:99Z", []any{[]any{}}, map[string]any{}, true}).Draw(t, "value")
	}
	return m
}

// plainText is a value as it stands in a query.
func plainText(v any) string {
	if s, is := v.(string); is {
		return s
	}
	b, err := json.Marshal(v)
	if err != nil {
		return "null"
	}
	return string(b)
}
