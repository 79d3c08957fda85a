package wire

import (
	"strconv"
	"strings"
)

// templatePath reads the template by which a discovery message takes a value out
// of a payload, as far as it names one field of it: {{ value_json.a.b }},
// {{ value_json['a'][0] }}, {{ value }}, each with the filters float and round,
// whose arguments do not matter here, and is_defined. The path is as CheckPath
// wants it, empty for the whole payload. Every other template is not understood:
// what it works out stands nowhere in the payload.
func templatePath(template string) (path string, understood bool) {
	text := strings.TrimSpace(template)
	if text == "" {
		return "", true
	}
	text, begins := strings.CutPrefix(text, "{{")
	text, ends := strings.CutSuffix(text, "}}")
	if !begins || !ends || len(template) > maxTopic {
		return "", false
	}
	text, filters := cutFilters(text)
	for _, f := range filters {
		if !harmless(f) {
			return "", false
		}
	}
	if text == "value" {
		return "", true
	}
	rest, json := strings.CutPrefix(text, "value_json")
	if !json || rest == "" {
		return "", false
	}
	keys, ok := accessors(rest)
	if !ok {
		return "", false
	}
	path = joinPath(keys)
	return path, CheckPath(path) == nil
}

// cutFilters parts an expression from the filters behind it. A bar within quotes
// is none.
func cutFilters(text string) (expression string, filters []string) {
	var parts []string
	begin, quote := 0, byte(0)
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '\'' || c == '"':
			quote = c
		case c == '|':
			parts, begin = append(parts, strings.TrimSpace(text[begin:i])), i+1
		}
	}
	parts = append(parts, strings.TrimSpace(text[begin:]))
	return parts[0], parts[1:]
}

// harmless reports a filter that leaves a number what it is, but for figures
// behind the point that would be read besides.
func harmless(filter string) bool {
	name, arguments, called := strings.Cut(filter, "(")
	name = strings.TrimSpace(name)
	if called {
		inner, closed := strings.CutSuffix(strings.TrimSpace(arguments), ")")
		if !closed || strings.ContainsAny(inner, "()|'\"{}") {
			return false
		}
	}
	return name == "float" || name == "round" || name == "is_defined" && !called
}

// accessors reads .name, ['name'], ["name"] and [0], one behind another.
func accessors(text string) (keys []string, ok bool) {
	for text != "" {
		switch text[0] {
		case '.':
			n := 1
			for n < len(text) && wordByte(text[n]) {
				n++
			}
			if n == 1 || '0' <= text[1] && text[1] <= '9' {
				return nil, false
			}
			keys, text = append(keys, text[1:n]), text[n:]
		case '[':
			key, rest, is := subscript(text[1:])
			if !is {
				return nil, false
			}
			keys, text = append(keys, key), rest
		default:
			return nil, false
		}
	}
	return keys, len(keys) > 0
}

func wordByte(c byte) bool {
	return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '_'
}

// subscript reads what stands between brackets, without escapes.
func subscript(text string) (key, rest string, ok bool) {
	text = strings.TrimLeft(text, " ")
	if text == "" {
		return "", "", false
	}
	if q := text[0]; q == '\'' || q == '"' {
		key, rest, ok = strings.Cut(text[1:], string(q))
		if ok = ok && key != "" && !strings.Contains(key, `\`); !ok {
			return "", "", false
		}
	} else {
		key, rest, ok = strings.Cut(text, "]")
		key = strings.TrimSpace(key)
		if n, err := strconv.Atoi(key); !ok || err != nil || n < 0 || strconv.Itoa(n) != key {
			return "", "", false
		}
		return key, rest, true
	}
	rest, ok = strings.CutPrefix(strings.TrimLeft(rest, " "), "]")
	return key, rest, ok
}
