package demo_test

import (
	"encoding/json"
	"fmt"
	"testing"

	"dryhold/internal/demo"
)

// shown are the numbers of a chart's table: its columns after the first, by
// their path in the API's answer, and how many decimals are written.
type shown struct {
	figure   int // among those of the page
	columns  []string
	factor   float64
	decimals int
}

// Charts are drawn, and their tables hold what programs get, each row and each
// number of it.
func TestCharts(t *testing.T) {
	b := newTab(t)
	h := newLarchHouse(t)
	f := func(page, api, x string, tables ...shown) {
		t.Helper()
		b.open(h.url + page)
		drawn := evaluate[[]int](b, `new Promise(done => { const look = () => {
			const charts = [...document.querySelectorAll("figure[data-chart]")];
			if (document.readyState !== "complete" || charts.some(f => !f.dataset.drawn)) return setTimeout(look, 20);
			done(charts.map(f => {
				const c = f.querySelector("canvas");
				if (!c || !c.width || !c.height) return 0;
				const data = c.getContext("2d").getImageData(0, 0, c.width, c.height).data, empty = document.createElement("canvas");
				empty.width = c.width; empty.height = c.height;
				const none = empty.getContext("2d").getImageData(0, 0, c.width, c.height).data;
				let differ = 0;
				for (let i = 0; i < data.length; i += 4) if (data[i] !== none[i] || data[i+1] !== none[i+1] || data[i+2] !== none[i+2] || data[i+3] !== none[i+3]) differ++;
				return differ;
			}));
		}; look() })`)
		if len(drawn) < len(tables) {
			t.Errorf("%s: %d charts, want at least %d", page, len(drawn), len(tables))
		}
		for i, pixels := range drawn {
			if pixels < 1000 {
				t.Errorf("%s: chart %d has %d pixels that an empty one has not", page, i, pixels)
			}
		}
		for _, s := range tables {
			columns, err := json.Marshal(s.columns)
			if err != nil {
				t.Fatal(err)
			}
			for _, fault := range evaluate[[]string](b, fmt.Sprintf(compared, s.figure, api, x, columns, s.factor, s.decimals)) {
				t.Errorf("%s, chart %d: %s", page, s.figure, fault)
			}
		}
		for _, c := range b.complaints() {
			t.Errorf("%s: the browser complains: %s", page, c)
		}
	}
	f("/room/"+demo.Loft+"?from=2024-08-01&to=2024-08-31", "", "buckets.start", // with the days of the dead battery
		shown{0, []string{"buckets.temperature_min_celsius", "buckets.temperature_mean_celsius", "buckets.temperature_max_celsius", "buckets.core_mean_celsius"}, 1, 2},
		shown{1, []string{"buckets.humidity_min_fraction", "buckets.humidity_mean_fraction", "buckets.humidity_max_fraction"}, 100, 2},
		shown{2, []string{"buckets.dew_point_mean_celsius", "buckets.core_mean_celsius"}, 1, 2})
	f("/lots/L-7", "/api/v1/lots/L-7/course", "at",
		shown{0, []string{"quality.likely", "quality.low", "quality.high"}, 100, 1},
		shown{1, []string{"water_activity.likely"}, 1, 3})
}

// compared lists where the table of a figure differs from the API's answer.
const compared = `(async () => {
	const figure = document.querySelectorAll("figure[data-chart]")[%d], api = %q || figure.dataset.src, x = %q, columns = %s, factor = %v, decimals = %d;
	const answer = await (await fetch(api, {headers: {Accept: "application/json"}})).json();
	const pick = path => path.split(".").reduce((v, key) => v?.[key], answer);
	const rows = [...figure.querySelectorAll("details tbody tr")], times = pick(x), faults = [];
	if (!times || rows.length !== times.length || rows.length < 10) return [rows.length + " rows in the table, " + times?.length + " in the answer"];
	let numbers = 0;
	rows.forEach((row, i) => {
		const at = row.querySelector("th time")?.getAttribute("datetime");
		if (Math.floor(Date.parse(at) / 1000) !== Math.floor(Date.parse(times[i]) / 1000)) // a table tells seconds
			 faults.push("row " + i + " is of " + at + ", the answer has " + times[i]);
		columns.forEach((path, k) => {
			const want = pick(path)?.[i], text = row.querySelectorAll("td")[k].textContent.trim(), got = parseFloat(text.replace("−", "-"));
			if (want == null ? !Number.isNaN(got) : !(Math.abs(got - want * factor) <= 0.5 * 10 ** -decimals + 1e-6)) faults.push(at + ": " + path + " is " + want + ", the table says " + text);
			if (want != null) numbers++;
		});
	});
	if (numbers < 10) faults.push("only " + numbers + " numbers");
	return faults.slice(0, 3);
})()`
