package report

// Season is one meteorological season of a room, from its own hours.
type Season struct {
	Name  string `json:"name"` // by its months: "Jun-Aug 2026"
	First Date   `json:"first_day"`
	// Measured is the share of the whole season.
	Measured Number `json:"measured_percent"`
	Mean     Number `json:"temperature_mean_celsius"`
	Kinetic  Number `json:"mean_kinetic_celsius"`
	// Exposure of the air, days at 21 °C, and what of it is Beyond plan storage.
	Exposure Number `json:"exposure_days"`
	Beyond   Number `json:"beyond_plan_days"`
	Above    Number `json:"hours_above_limit"`
	// DegreeDays are cooling degree-days outdoors above the warm limit, and Per
	// what lies beyond plan for 100 of them; unknown without air outdoors.
	DegreeDays Number `json:"outdoor_degree_days"`
	Per        Number `json:"beyond_plan_per_100_degree_days"`
	// Room says how it kept heat out against the year before.
	Room string `json:"against_the_year_before"`
}

const seasonsNote = "Degree-days are the hours outdoors above the warm limit of the room, their excess divided by 24. What lies beyond plan for 100 of them tells the room from the weather. A season measured for less than 90 % is partial."

func (r Room) seasonsTable(id string) table {
	t := table{ID: id, Title: "Season against season", Note: seasonsNote, Wide: true, Columns: []column{
		{"Season", "", false}, {"Measured", "%", true}, {"Mean", "°C", true}, {"Kinetic mean", "°C", true}, {"Exposure", "days", true}, {"Beyond plan", "days", true},
		{"Above limit", "hours", true}, {"Outdoors", "degree-days", true}, {"Beyond for 100", "days", true}, {"Against the year before", "", false},
	}}
	for _, s := range r.Seasons {
		t.Rows = append(t.Rows, []string{s.Name, s.Measured.text(percentDecimals), s.Mean.text(celsiusDecimals), s.Kinetic.text(celsiusDecimals), s.Exposure.text(daysDecimals),
			s.Beyond.text(daysDecimals), s.Above.text(0), s.DegreeDays.text(daysDecimals), s.Per.text(daysDecimals), s.Room})
	}
	return t
}

func (s Season) rounded() Season {
	return Season{
		Name: clean(s.Name), First: s.First, Measured: s.Measured.round(percentDecimals), Mean: s.Mean.round(celsiusDecimals), Kinetic: s.Kinetic.round(celsiusDecimals),
		Exposure: s.Exposure.round(daysDecimals), Beyond: s.Beyond.round(daysDecimals), Above: s.Above.round(0), DegreeDays: s.DegreeDays.round(daysDecimals),
		Per: s.Per.round(daysDecimals), Room: clean(s.Room),
	}
}

func (s Season) record() record {
	return record{
		"name": guard(s.Name), "first_day": s.First.String(), "measured_percent": s.Measured.plain(percentDecimals), "temperature_mean_celsius": s.Mean.plain(celsiusDecimals),
		"mean_kinetic_celsius": s.Kinetic.plain(celsiusDecimals), "exposure_days": s.Exposure.plain(daysDecimals), "beyond_plan_days": s.Beyond.plain(daysDecimals),
		"hours_above_limit": s.Above.plain(0), "outdoor_degree_days": s.DegreeDays.plain(daysDecimals), "beyond_plan_per_100_degree_days": s.Per.plain(daysDecimals), "text": guard(s.Room),
	}
}
