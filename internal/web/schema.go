package web

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/swaggest/jsonschema-go"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/unit"
)

const schemasPath = "#/components/schemas/"

// schemas gathers the JSON Schemas of the Go values that go in and out.
type schemas struct {
	reflector jsonschema.Reflector
	named     map[string]any
}

// of gives the schema of a Go value, and gathers those it refers to. What is
// sent to the daemon must not have members that it does not know; what it
// answers may get more of them.
func (s *schemas) of(v any, sent bool) any {
	collect := func(name string, x jsonschema.Schema) {
		if sent {
			closed := false
			x.AdditionalProperties = &jsonschema.SchemaOrBool{TypeBoolean: &closed}
		}
		s.named[name] = x
	}
	options := []func(*jsonschema.ReflectContext){
		jsonschema.RootRef, jsonschema.ProcessWithoutTags, jsonschema.DefinitionsPrefix(schemasPath), jsonschema.CollectDefinitions(collect),
		jsonschema.InterceptDefName(func(t reflect.Type, _ string) string { return schemaName(t) }),
		jsonschema.InterceptSchema(wellKnown), jsonschema.InterceptProp(asEncoded(sent)),
		func(rc *jsonschema.ReflectContext) { rc.EnvelopNullability = true },
	}
	x, err := s.reflector.Reflect(v, options...)
	if err != nil {
		panic(fmt.Sprintf("BUG: %T has no schema: %v", v, err)) // a test has them all made
	}
	return x
}

// schemaName is the type with its package where that says more: LotsAnswer,
// but engine.LotView.
func schemaName(t reflect.Type) string {
	if t.PkgPath() == reflect.TypeFor[Problem]().PkgPath() {
		return t.Name()
	}
	return strings.ReplaceAll(t.String(), "*", "")
}

// wellKnown gives the words of types that are one of a few.
func wellKnown(p jsonschema.InterceptSchemaParams) (stop bool, err error) {
	if !p.Processed {
		return false, nil
	}
	t := p.Value.Type()
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t {
	case reflect.TypeFor[unit.Quantity]():
		p.Schema.Enum = oneOf(unit.QuantityNames())
	case reflect.TypeFor[engine.Number]():
		p.Schema.AddType(jsonschema.Null)
	case reflect.TypeFor[barrier.Seal]():
		p.Schema.Enum = oneOf([]string{barrier.Assumed.String(), barrier.Verified.String(), barrier.Failed.String()})
	}
	return false, nil
}

func oneOf(of []string) (out []any) {
	for _, w := range of {
		out = append(out, w)
	}
	return out
}

// asEncoded makes a member as encoding/json writes it: there unless it may be
// left out, and null only where it may be.
func asEncoded(sent bool) jsonschema.InterceptPropFunc {
	return func(p jsonschema.InterceptPropParams) error {
		if !p.Processed {
			return nil
		}
		tag := p.Field.Tag.Get("json")
		optional := strings.Contains(tag, ",omitempty") || strings.Contains(tag, ",omitzero")
		if optional && p.PropertySchema.Ref == nil {
			p.PropertySchema.RemoveType(jsonschema.Null)
		}
		if p.PropertySchema.AnyOf != nil {
			p.PropertySchema.Type = nil // it says itself that it may be null
			if optional {
				*p.PropertySchema = *p.PropertySchema.AnyOf[1].TypeObject
			}
		}
		if p.PropertySchema.Enum != nil && p.PropertySchema.HasType(jsonschema.Null) {
			p.PropertySchema.Enum = append(p.PropertySchema.Enum, nil)
		}
		// Who is logged in, or has a token, need not say who it is.
		if !optional && !(sent && p.Name == "by") && !slices.Contains(p.ParentSchema.Required, p.Name) {
			p.ParentSchema.Required = append(p.ParentSchema.Required, p.Name)
		}
		return nil
	}
}
