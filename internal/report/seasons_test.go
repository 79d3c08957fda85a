package report

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestSeasonsEverywhere: the seasons of a room are told alike in every format,
// and not at all where there are none.
func TestSeasonsEverywhere(t *testing.T) {
	u := Unknown()
	r := Report{Site: "larch-house", From: on(2025, 12, 1), To: on(2026, 8, 31), Rooms: []Room{{Name: "loft", WarmLimit: 24, DampLimit: u, BrightLimit: u, Seasons: []Season{
		{Name: "Dec-Feb 2026", First: on(2025, 12, 1), Measured: 48.249, Mean: 9.04, Kinetic: 10.26, Exposure: 21.44, Beyond: 0, Above: 0, DegreeDays: 0, Per: u},
		{Name: "Jun-Aug 2026", First: on(2026, 6, 1), Measured: 99.97, Mean: 26.35, Kinetic: 27.77, Exposure: 191.23, Beyond: 71.58, Above: 1402, DegreeDays: 311.18, Per: 23.001, Room: "better room"},
	}}}}
	plain := [][]string{{"Dec-Feb 2026", "48.2", "9.0", "10.3", "21.4", "0.0", "0", "0.0"}, {"Jun-Aug 2026", "100.0", "26.4", "27.8", "191.2", "71.6", "1402", "311.2", "23.0", "better room"}}
	shown := map[Format]string{Text: string(written(t, r, Text)), HTML: string(written(t, r, HTML)), CSV: string(written(t, r, CSV))}
	for _, p := range pdfTexts(t, written(t, r, PDF)) {
		shown[PDF] += p.text + " "
	}
	for f, text := range shown {
		text = strings.Join(strings.Fields(text), " ")
		for _, row := range plain {
			at := strings.Index(text, row[0])
			if at < 0 {
				t.Errorf("%s lacks %s", f, row[0])
				continue
			}
			for _, cell := range row {
				i := strings.Index(text[at:], cell)
				if i < 0 {
					t.Errorf("%s: %s lacks %q behind the cells before it", f, row[0], cell)
					break
				}
				if f != CSV { // which has columns of its own order
					at += i
				}
			}
		}
	}
	var back struct {
		Rooms []Room `json:"rooms"`
	}
	if err := json.Unmarshal(written(t, r, JSON), &back); err != nil || len(back.Rooms) != 1 || len(back.Rooms[0].Seasons) != 2 || back.Rooms[0].Seasons[1].Beyond != 71.6 || back.Rooms[0].Seasons[0].Per.Known() {
		t.Errorf("JSON: %+v, %v", back, err)
	}
	r.Rooms[0].Seasons = nil
	for _, f := range []Format{Text, HTML} {
		if strings.Contains(string(written(t, r, f)), "Season against season") {
			t.Errorf("%s tells of no seasons", f)
		}
	}
}
