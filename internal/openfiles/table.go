package openfiles

import (
	"encoding"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"
)

// instant is how instants are written: RFC 3339 in UTC, to the millisecond.
const instant = "2006-01-02T15:04:05.000Z"

// column is one column of the table of a Go type: a member of its JSON, or one
// of a struct inside it (packing.net_mass_kg). Lists stand in one cell, as JSON.
type column struct {
	name  string
	index []int
}

// columns lists the table of a struct type. It has the members that
// encoding/json writes, under the same names.
func columns(t reflect.Type) []column { return appendColumns(nil, t, "", nil) }

func appendColumns(out []column, t reflect.Type, prefix string, index []int) []column {
	own := map[string]bool{} // hide those of the same name in embedded structs
	for i := range t.NumField() {
		if name, ok := member(t.Field(i)); ok {
			own[name] = true
		}
	}
	for i := range t.NumField() {
		f := t.Field(i)
		at := append(append([]int{}, index...), i)
		name, ok := member(f)
		switch {
		case f.Anonymous && name == "" && ok:
			for _, c := range appendColumns(nil, f.Type, prefix, at) {
				first, _, _ := strings.Cut(strings.TrimPrefix(c.name, prefix), ".")
				if !own[first] {
					out = append(out, c)
				}
			}
		case !ok:
		case nested(f.Type):
			out = appendColumns(out, structOf(f.Type), prefix+name+".", at)
		default:
			out = append(out, column{prefix + name, at})
		}
	}
	return out
}

// member gives the name of a field in JSON; that of an embedded struct without
// one is empty.
func member(f reflect.StructField) (name string, ok bool) {
	tag := f.Tag.Get("json")
	if tag == "-" || !f.IsExported() {
		return "", false
	}
	name, _, _ = strings.Cut(tag, ",")
	if name == "" && !f.Anonymous {
		name = f.Name
	}
	return name, true
}

// optional reports whether a member may be left out.
func optional(f reflect.StructField) bool {
	tag := f.Tag.Get("json")
	return strings.Contains(tag, ",omitempty") || strings.Contains(tag, ",omitzero")
}

// required lists the members that are always there.
func required(t reflect.Type) (out []string) {
	for i := range t.NumField() {
		f := t.Field(i)
		name, ok := member(f)
		switch {
		case f.Anonymous && name == "" && ok:
			out = append(out, required(f.Type)...)
		case ok && !optional(f):
			out = append(out, name)
		}
	}
	return out
}

func structOf(t reflect.Type) reflect.Type {
	if t.Kind() == reflect.Pointer {
		return t.Elem()
	}
	return t
}

// nested reports a type with columns of its own.
func nested(t reflect.Type) bool {
	t = structOf(t)
	return t.Kind() == reflect.Struct && t != reflect.TypeFor[time.Time]() &&
		!t.Implements(reflect.TypeFor[json.Marshaler]()) && !t.Implements(reflect.TypeFor[encoding.TextMarshaler]())
}

// cells appends the row of a value; what is not there is an empty cell.
func cells(row []string, v reflect.Value, table []column) ([]string, error) {
	for _, c := range table {
		text, err := cell(reach(v, c.index))
		if err != nil {
			return row, fmt.Errorf("cannot write %s: %w", c.name, err)
		}
		row = append(row, text)
	}
	return row, nil
}

// reach goes down to a field; what is behind a nil pointer is not valid.
func reach(v reflect.Value, index []int) reflect.Value {
	for _, i := range index {
		if v.Kind() == reflect.Pointer {
			if v.IsNil() {
				return reflect.Value{}
			}
			v = v.Elem()
		}
		v = v.Field(i)
	}
	if v.Kind() == reflect.Pointer {
		return v.Elem() // not valid where it is nil
	}
	return v
}

func cell(v reflect.Value) (string, error) {
	if !v.IsValid() {
		return "", nil
	}
	switch x := v.Interface().(type) {
	case time.Time:
		if x.IsZero() {
			return "", nil
		}
		return x.UTC().Format(instant), nil
	case time.Duration:
		return strconv.FormatInt(int64(x), 10), nil
	case encoding.TextMarshaler:
		text, err := x.MarshalText()
		return string(text), err
	case []byte:
		return base64.StdEncoding.EncodeToString(x), nil
	}
	switch v.Kind() {
	case reflect.String:
		return v.String(), nil
	case reflect.Bool:
		return strconv.FormatBool(v.Bool()), nil
	case reflect.Float32, reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'g', -1, v.Type().Bits()), nil
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return strconv.FormatInt(v.Int(), 10), nil
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return strconv.FormatUint(v.Uint(), 10), nil
	case reflect.Slice, reflect.Map:
		if v.Len() == 0 {
			return "", nil
		}
	}
	body, err := json.Marshal(v.Interface())
	return string(body), err
}
