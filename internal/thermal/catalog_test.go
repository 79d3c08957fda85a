package thermal

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"dryhold/internal/unit"
)

// The time constants of the shipped container classes follow from the sizes
// their sources state, with the properties its header states: rice in still
// air, and a low and a high edge.
func TestShippedContainerLags(t *testing.T) {
	data, err := os.ReadFile(filepath.Join("..", "..", "config", "catalog", "containers.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	// stuff with a stated diffusivity: density and heat capacity count only
	// by their product.
	stuff := func(film, conductivity, diffusivity float64) Stuff {
		return Stuff{Conductivity: conductivity, Density: 1, HeatCapacity: conductivity / diffusivity, Film: film}
	}
	edges := []Stuff{stuff(12, 0.15, 1.1e-7), rice(), stuff(5, 0.12, 8e-8)}
	lag := regexp.MustCompile(`lag: \{low: ([\d.]+), likely: ([\d.]+), high: ([\d.]+), unit: h, source: "([^"]*)"\}`)
	can := regexp.MustCompile(`R ([\d.]+) m, L ([\d.]+) m`)
	slab := regexp.MustCompile(`half thickness ([\d.]+) m`)
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	checked := 0
	for _, m := range lag.FindAllStringSubmatch(string(data), -1) {
		source := m[4]
		if !strings.Contains(source, "computed as stated above") {
			continue
		}
		for i, s := range edges {
			var tau unit.Hours
			var err error
			if d := can.FindStringSubmatch(source); d != nil {
				tau, err = s.CanLag(num(d[1]), num(d[2]))
			} else if d := slab.FindStringSubmatch(source); d != nil {
				tau, err = s.SlabLag(num(d[1]))
			} else {
				t.Fatalf("source %q states no size", source)
			}
			if err != nil {
				t.Fatal(err)
			}
			near(t, source+": "+[]string{"low", "likely", "high"}[i], float64(tau), num(m[i+1]), halfDigit(m[i+1]))
		}
		checked++
	}
	if checked < 7 {
		t.Errorf("found only %d computed lags", checked)
	}
}
