package web

import (
	"embed"
	"fmt"

	"github.com/leonelquinteros/gotext"
)

// Each language but English is a gettext catalog, the format translators have
// tools for: the English text is the key.
//
//go:embed languages/*.po
var languageFiles embed.FS

// translator says the words of the pages in one language.
type translator struct {
	tag string
	po  *gotext.Po // nil is English
}

// readLanguages gives the translator of each tag.
func readLanguages() map[string]*translator {
	out := map[string]*translator{}
	for _, tag := range languageTags() {
		if tag == languageTags()[0] {
			out[tag] = &translator{tag: tag}
			continue
		}
		text, err := languageFiles.ReadFile("languages/" + tag + ".po")
		if err != nil {
			panic(fmt.Sprintf("BUG: no catalog of the language %s: %v", tag, err))
		}
		po := gotext.NewPo()
		po.Parse(text)
		out[tag] = &translator{tag, po}
	}
	return out
}

// T is an English text in the language, or itself where it has none there.
// With values it is a format of package fmt.
func (t *translator) T(english string, values ...any) string {
	if t != nil && t.po != nil {
		return t.po.Get(english, values...)
	}
	if len(values) == 0 {
		return english
	}
	return fmt.Sprintf(english, values...)
}

// N is T for a number of things: one for a single one, many for others, the
// number its first value.
func (t *translator) N(one, many string, n int, values ...any) string {
	values = append([]any{n}, values...)
	if t != nil && t.po != nil {
		return t.po.GetN(one, many, n, values...)
	}
	if n == 1 {
		return fmt.Sprintf(one, values...)
	}
	return fmt.Sprintf(many, values...)
}

// decimalMark stands before the tenths.
func (t *translator) decimalMark() string {
	if t != nil && (t.tag == "de" || t.tag == "fr") {
		return ","
	}
	return "."
}

// tn is t for a number of things: one for a single one, many for others, the
// number their first value.
func (p *pageContext) tn(one, many string, n int, values ...any) string {
	return p.tr.N(one, many, n, values...)
}

// Word is a name of the catalog or of the core in the language: a food, a
// container, a state of an alarm. Its text is not that of a format.
func (t *translator) Word(english string) string {
	return t.T(english, []any{}...)
}

// Of is Word of a text that has a type of its own, for the templates.
func (t *translator) Of(name any) string { return t.Word(fmt.Sprint(name)) }

// word is Word for a page.
func (p *pageContext) word(english string) string { return p.tr.Word(english) }
