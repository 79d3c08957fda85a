package app_test

import (
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"dryhold/internal/engine"
)

// TestLotByThePage: a lot entered and used by the forms of its page, on a real
// daemon, is there after a restart, and its course goes through what is shown.
func TestLotByThePage(t *testing.T) {
	h := newHouse(t, nil)
	now := time.Now().UTC().Truncate(time.Millisecond)
	h.opts.Now = func() time.Time { return now }
	h.start()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	post := func(path string, form url.Values, want string) {
		t.Helper()
		form.Set("by", "Mara")
		res, err := client.PostForm(h.app.URL()+path, form)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		if got := res.Header.Get("Location"); res.StatusCode != http.StatusSeeOther || got != want {
			t.Errorf("%s %v: %d to %q, want %q", path, form, res.StatusCode, got, want)
		}
	}
	p := lotOf("cellar").Packing
	packed := now.AddDate(0, 0, -400).Format(time.DateOnly)
	post("/lots/new", url.Values{"food": {p.Food}, "container": {p.Container}, "count": {"12"}, "mass": {"1.6 kg"}, "packed": {packed}, "room": {"cellar"}}, "/lots/L-1?did=new")
	post("/lots/L-1/use", url.Values{"act": {"eat"}, "count": {"2"}}, "/lots/L-1?did=eat")
	post("/lots/L-1/use", url.Values{"act": {"split"}, "count": {"3"}, "room": {"loft"}}, "/lots/L-2?did=split")
	post("/lots/L-1/use", url.Values{"act": {"price"}, "price": {"2.40"}}, "/lots/L-1?did=price")
	post("/lots/L-2/use", url.Values{"act": {"note"}, "seal": {"failed"}, "note": {"hisses"}}, "/lots/L-2?did=note")
	post("/lots/L-2/use", url.Values{"act": {"move"}, "room": {"cellar"}}, "/lots/L-2?did=move")
	post("/lots/L-2/use", url.Values{"act": {"discard"}, "count": {"3"}, "note": {"mice"}, "sure": {"yes"}}, "/lots/L-2?did=discard")
	table := "food,container,count,mass_kg,packed,room\n" + p.Food + "," + p.Container + ",4,1.5," + packed + ",cellar\n"
	post("/lots/import", url.Values{"table": {table}, "sure": {"yes"}}, "/lots?did=imported&import=1")
	post("/lots/import/1/undo", url.Values{"note": {"the wrong file"}}, "/lots?did=unimported")
	h.stop()
	h.start()

	for path, want := range map[string][]string{
		"/lots/L-1":           {"7 containers, 11.2 kg", "bought for 2.40 per kg", "Bar of life", `data-chart="`},
		"/lots/L-2":           {"nothing left", "hisses", "mice"},
		"/lots?finished=yes":  {"1 lot in store", "1 lot is finished"},
		"/lots?import=1":      {"No lot is as asked for"},
		"/lots/new?food=oats": {`value="oats"`},
	} {
		status, body := get(t, h.app.URL()+path)
		for _, part := range want {
			if status != http.StatusOK || !strings.Contains(body, part) {
				t.Errorf("%s: %d, lacks %q", path, status, part)
			}
		}
	}
	for _, id := range []string{"L-1", "L-2"} {
		status, body := get(t, h.app.URL()+"/api/v1/lots/"+id+"/course?points=40")
		var c engine.LotCourse
		if err := json.Unmarshal([]byte(body), &c); err != nil || status != http.StatusOK {
			t.Fatalf("%d %s: %v", status, body, err)
		}
		v, found := lotNamed(t, h.app.Snapshot(), id), false
		for i, at := range c.At {
			if at.Equal(v.AsOf) {
				found = math.Abs(c.Quality.Likely[i]-v.Remaining.Likely) < 1e-9
			}
		}
		if !found || len(c.At) > 40 {
			t.Errorf("%s: %d points, none at %v with %v", id, len(c.At), v.AsOf, v.Remaining)
		}
	}
	if status, body := get(t, h.app.URL()+"/api/v1/lots/L-3/course"); status == http.StatusOK {
		t.Errorf("a lot that was taken back: %d %s", status, body)
	}
	if status, _ := get(t, h.app.URL()+"/api/v1/lots/L-1/course?points=100000"); status != http.StatusUnprocessableEntity {
		t.Errorf("too many points: %d", status)
	}
}
