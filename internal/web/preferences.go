package web

import (
	"net/http"
	"slices"
	"strings"

	"golang.org/x/text/language"
)

// preferences are how this browser wants its pages.
type preferences struct {
	Language string // tag of one of the catalogs
	US       bool   // °F, pounds and quarts beside what is stored
	Theme    string // "light", "dark", or "" as the machine has it
}

// preferencesCookie holds language, units and theme, with a dot between.
const preferencesCookie = "dryhold_preferences"

// languageTags lists the languages of the pages, English first: what a browser
// gets that asks for none of them.
func languageTags() []string { return []string{"en", "de", "fr"} }

// preferencesOf reads the cookie, and without one what the browser asks for.
func (s *server) preferencesOf(r *http.Request) preferences {
	var p preferences
	if c, err := r.Cookie(preferencesCookie); err == nil {
		parts := strings.Split(c.Value, ".")
		if len(parts) == 3 {
			p = preferences{parts[0], parts[1] == "us", parts[2]}
		}
	}
	if !slices.Contains([]string{"light", "dark"}, p.Theme) {
		p.Theme = ""
	}
	if !slices.Contains(languageTags(), p.Language) {
		p.Language = s.askedLanguage(r.Header.Get("Accept-Language"))
	}
	return p
}

// newMatcher finds the language that fits what a browser asks for. It is made
// once, for that costs many times what asking it does.
func newMatcher() language.Matcher {
	var known []language.Tag
	for _, t := range languageTags() {
		known = append(known, language.MustParse(t))
	}
	return language.NewMatcher(known)
}

// askedLanguage is the language that fits the header best.
func (s *server) askedLanguage(header string) string {
	if header == "" {
		return languageTags()[0]
	}
	_, i := language.MatchStrings(s.matcher, header)
	return languageTags()[i]
}

// words is what turning values into words needs, as this browser wants them.
func (s *server) words(r *http.Request) *pageContext {
	like := s.preferencesOf(r)
	return &pageContext{now: s.Now(), zone: s.Zone, tr: s.languages[like.Language], us: like.US}
}

func (s *server) getPreferences(w http.ResponseWriter, r *http.Request) {
	like, p := s.preferencesOf(r), s.words(r)
	pick := func(chosen string, of ...choice) []choice {
		for i := range of {
			of[i].Chosen = of[i].Value == chosen
		}
		return of
	}
	units := "metric"
	if like.US {
		units = "us"
	}
	s.writePage(w, r, http.StatusOK, page{Name: "preferences", Head: p.t("Language, units, light or dark"), Narrow: true}, struct {
		Back                     string
		Languages, Units, Themes []choice
	}{
		Back:      within(r.URL.Query().Get("back")),
		Languages: pick(like.Language, choice{"en", "English", false}, choice{"de", "Deutsch", false}, choice{"fr", "Français", false}),
		Units:     pick(units, choice{"metric", p.t("Metric: °C, kg, L"), false}, choice{"us", p.t("US: °F, lb, qt"), false}),
		Themes:    pick(like.Theme, choice{"", p.t("as this device has it"), false}, choice{"light", p.t("always light"), false}, choice{"dark", p.t("always dark"), false}),
	})
}

func (s *server) postPreferences(w http.ResponseWriter, r *http.Request) {
	form, no := readForm(w, r)
	if no != nil {
		s.writeFailed(w, r, no.status, s.words(r).t("It is not kept"), no.detail)
		return
	}
	value := strings.Join([]string{form.Get("language"), form.Get("units"), form.Get("theme")}, ".")
	if len(value) > 30 || strings.Count(value, ".") != 2 {
		value = "" // nothing of ours: as the browser asks
	}
	http.SetCookie(w, &http.Cookie{
		Name: preferencesCookie, Value: value, Path: "/", MaxAge: 365 * 24 * 3600, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode,
	})
	http.Redirect(w, r, within(form.Get("back")), http.StatusSeeOther)
}
