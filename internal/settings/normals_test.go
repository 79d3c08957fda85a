package settings_test

import (
	"strings"
	"testing"

	"dryhold/internal/settings"
)

func TestNormals(t *testing.T) {
	const twelve = "[1 C, 2 C, 3 C, 4 C, 5 C, 6 C, 7 C, 8 C, 9 C, 10 C, 11 C, 12 C]"
	f := func(normals string, wants ...string) {
		t.Helper()
		s, err := settings.Parse("f.yaml", []byte("rooms:\n  - name: loft\n    normals: {"+normals+"}\n"))
		if len(wants) == 0 {
			if err != nil {
				t.Errorf("%s: %v", normals, err)
			} else if n := s.Normals("loft"); n == nil || n.Temp[0] != 1 || n.Temp[11] != 12 {
				t.Errorf("%s: read as %+v", normals, n)
			}
			return
		}
		if err == nil {
			t.Errorf("%s: taken", normals)
			return
		}
		for _, want := range wants {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v, want %s", normals, err, want)
			}
		}
		if n := s.Normals("loft"); n != nil {
			t.Errorf("%s: kept as %+v in spite of it", normals, n)
		}
	}
	f("temperature: " + twelve)
	f("temperature: " + twelve + ", error: 3.6 F")
	f("temperature: [18 C]", "temperature has 1 values: give 12, the means of the months from January on")
	f("humidity: [55 %]", "temperature", "humidity has 1 values")
	f("temperature: "+strings.Replace(twelve, "12 C", "99 C", 1), "temperature 99 C is outside -60 to 60 °C")
	f("temperature: "+strings.Replace(twelve, "12 C", "12", 1), `"12" lacks a unit`)
	f("temperature: "+twelve+", error: 0 K", "error 0 K is outside 0.1 to 10 K")
	f("temperature: "+twelve+", errors: 1 K", `unknown key "errors" in normals`)

	if _, err := settings.Parse("f.yaml", []byte("rooms: [{name: loft}]\noutdoor: lofd\n")); err == nil || !strings.Contains(err.Error(), `unknown room "lofd": did you mean "loft"?`) {
		t.Errorf("an outdoor room that is not listed: %v", err)
	}
	if s, err := settings.Parse("f.yaml", []byte("outdoor: yard\n")); err != nil || s.Outdoor != "yard" || s.Normals("yard") != nil {
		t.Errorf("an outdoor room where all are accepted: %+v, %v", s, err)
	}
}
