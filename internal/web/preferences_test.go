package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"dryhold/internal/engine"
)

func TestPreferencesOfACookie(t *testing.T) {
	s := &server{matcher: newMatcher()}
	f := func(cookie, accept string, want preferences) {
		t.Helper()
		r, err := http.NewRequest(http.MethodGet, "/", nil)
		if err != nil {
			t.Fatal(err)
		}
		if cookie != "" {
			r.AddCookie(&http.Cookie{Name: preferencesCookie, Value: cookie})
		}
		r.Header.Set("Accept-Language", accept)
		if got := s.preferencesOf(r); got != want {
			t.Errorf("cookie %q, asking for %q: %+v, want %+v", cookie, accept, got, want)
		}
	}
	f("", "", preferences{Language: "en"})
	f("de.us.dark", "fr", preferences{"de", true, "dark"})
	f("fr.metric.", "de", preferences{"fr", false, ""})
	f("xx.us.light", "fr", preferences{"fr", true, "light"})
	f("de.miles.pink", "", preferences{"de", false, ""})
	f("de.us", "fr", preferences{Language: "fr"})
	f("de.us.dark.more", "", preferences{Language: "en"})
	f("../../de.us.dark", "", preferences{Language: "en"})
	f(".us.", "fr-CA", preferences{"fr", true, ""})
	f("", "de-CH,de;q=0.9,en;q=0.5", preferences{Language: "de"})
	f("", "pt-BR,fr;q=0.4,en;q=0.2", preferences{Language: "fr"})
	f("", "ja", preferences{Language: "en"})
	f("", "nonsense;;q=,", preferences{Language: "en"})
	f("", strings.Repeat("de,", 3000), preferences{Language: "de"})
}

func TestPreferencesAreKept(t *testing.T) {
	h, _ := house(t, larchHouse(), nil)
	f := func(form url.Values, value, to string) {
		t.Helper()
		res := ask(t, h, http.MethodPost, "/preferences", form.Encode(), "Content-Type", formMedia)
		cookies := res.Cookies()
		if res.StatusCode != http.StatusSeeOther || len(cookies) != 1 {
			t.Fatalf("%d, %v", res.StatusCode, cookies)
		}
		c := cookies[0]
		if c.Value != value || !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.MaxAge != 365*24*3600 || c.Path != "/" {
			t.Errorf("cookie %+v, want the value %q", c, value)
		}
		if got := res.Header.Get("Location"); got != to {
			t.Errorf("leads to %q, want %q", got, to)
		}
	}
	f(url.Values{"language": {"de"}, "units": {"us"}, "theme": {"dark"}, "back": {"/lots?all=yes"}}, "de.us.dark", "/lots?all=yes")
	f(url.Values{"language": {"fr"}, "units": {"metric"}, "theme": {""}, "back": {"https://elsewhere.example/"}}, "fr.metric.", "/")
	f(url.Values{"language": {strings.Repeat("x", 300)}, "units": {"us"}, "theme": {"dark"}}, "", "/")
	f(url.Values{"language": {"de.us"}, "units": {"us"}, "theme": {"dark"}}, "", "/")

	page := shownTo(t, h, "/preferences?back=%2Flots", "de.us.dark")
	root := only(t, page, "html", nil)
	if attr(root, "lang") != "de" || attr(root, "data-theme") != "dark" {
		t.Errorf("lang %q, theme %q", attr(root, "lang"), attr(root, "data-theme"))
	}
	var chosen []string
	for _, o := range all(page, "option", func(n *html.Node) bool { return hasAttr(n, "selected") }) {
		chosen = append(chosen, attr(o, "value"))
	}
	if !slices.Equal(chosen, []string{"de", "us", "dark"}) {
		t.Errorf("the form shows %q", chosen)
	}
}

// in is what turns values into words in a language and units.
func in(t *testing.T, tag string, us bool) *pageContext {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Fatal(err)
	}
	return &pageContext{now: noon(), zone: zone, tr: readLanguages()[tag], us: us}
}

func TestMeasuresByLanguageAndUnits(t *testing.T) {
	f := func(got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("reads %q, want %q", got, want)
		}
	}
	en, de, fr, us := in(t, "en", false), in(t, "de", false), in(t, "fr", false), in(t, "en", true)
	f(de.celsius().text(-7.25), "−7,2 °C")
	f(us.celsius().text(33.4), "92.1 °F")
	f(us.celsius().text(-40), "−40.0 °F")
	f(us.kelvin().text(0.5), "0.9 °F") // a difference has no offset
	f(de.kelvin().text(0.5), "0,5 K")
	f(us.lux().text(310), "310 lx")
	f(in(t, "fr", true).celsius().text(21.44), "70,6 °F")
	value, limit := us.celsius().against(21.04, 21)
	f(value+" of "+limit, "69.9 °F of 69.8 °F")

	f(us.mass(1.75), "3.86 lb")
	f(us.mass(0.1), "3.5 oz")
	f(us.mass(0.45359237), "1 lb")
	f(us.mass(100), "220.5 lb")
	f(us.mass(0), "0 lb")
	f(de.mass(1.75), "1,75 kg")
	f(fr.mass(0.85), "850 g")
	f(us.volume(3.785411784), "1 gal")
	f(us.volume(1.9), "2.01 qt")
	f(us.volume(0.03), "1.01 fl oz")
	f(de.volume(0.0132), "13,2 mL")
	f(en.volume(20), "20 L")

	f(de.days(3.14), "3,1 Tage")
	f(fr.days(-1234.5), "−1234 jours")
	f(de.ago(49*time.Hour), "vor 2 Tagen")
	f(de.ago(25*time.Hour), "vor 25 h")
	f(de.span(49*time.Hour), "2 Tage")
	f(fr.ageing(0.62), "0,6 fois plus vite que prévu")
	f(de.number(1234.5, 1), "1234,5")
	f(de.short(2.50, 2), "2,5")

	f(de.moment(noon()).Text, "14. Juli 2026 14:30 CEST")
	f(fr.moment(noon()).Text, "14 juil. 2026 14:30 CEST")
	f(de.month(noon()).Text, "Juli 2026")
	f(fr.month(noon()).Text, "juillet 2026")
	f(de.month(time.Time{}).Text, "nicht bekannt")
	f(de.date(noon().AddDate(0, -4, 0), "2 Jan 2006"), "14. März 2026")
	f(fr.date(noon().AddDate(0, 1, 0), "2 Jan 2006"), "14 août 2026")
	if got := de.moment(noon()).Machine; got != "2026-07-14T12:30:00Z" {
		t.Errorf("for programs %q", got)
	}

	f(de.typed("9,5 %"), "9.5 %")
	f(de.typed("100 90,5"), "100 90.5")
	f(de.typed("1, 2"), "1, 2")
	f(en.typed("9,5 %"), "9,5 %")
}

func TestPluralForms(t *testing.T) {
	f := func(tag string, n int, want string) {
		t.Helper()
		if got := in(t, tag, false).tn("%d day", "%d days", n); got != want {
			t.Errorf("%d in %s: %q, want %q", n, tag, got, want)
		}
	}
	f("en", 0, "0 days")
	f("en", 1, "1 day")
	f("de", 0, "0 Tage")
	f("de", 1, "1 Tag")
	f("fr", 0, "0 jour")
	f("fr", 1, "1 jour")
	f("fr", 2, "2 jours")
}

// shownTo is a page as a browser with these preferences gets it.
func shownTo(t testing.TB, h http.Handler, path, like string) *html.Node {
	t.Helper()
	return shown(t, h, path, http.StatusOK, "Cookie", preferencesCookie+"="+like)
}

// What a room is called is the keeper's, whatever the language.
func TestNamesStayAsTheyAre(t *testing.T) {
	snap := larchHouse()
	snap.Rooms[0].Name = "Now"
	h, _ := house(t, &engine.Snapshot{Site: "Larch House", At: snap.At, Rooms: snap.Rooms}, nil)
	if text := words(shownTo(t, h, "/", "de.metric.")); !strings.Contains(text, "Now") {
		t.Errorf("a room called Now is not on the page: %s", text)
	}
}
