package sensor

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// Comparison is one comparison of a sensor with something that is right: what the
// sensor read and what was true, both in the canonical unit of the quantity.
type Comparison struct {
	Reading   float64 `json:"reading"`
	Reference float64 `json:"reference"`
}

// apart is how far references must lie apart to tell a gain, in the canonical
// unit: closer together, the noise of the readings would make it. 5 K, and 10 %
// of humidity, are some ten times the noise of a household sensor (judgement).
func apart(q unit.Quantity) float64 {
	switch q {
	case unit.Temperature:
		return 5
	case unit.Humidity:
		return 0.1
	}
	return 0
}

// Fit gives the gain and the offset by which readings come closest to the
// references, in the sense of least squares. References close together tell an
// offset alone, the mean of the differences; the gain is then 1.
func Fit(q unit.Quantity, points []Comparison) (gain, offset float64, err error) {
	n := float64(len(points))
	if n == 0 {
		return 0, 0, fmt.Errorf("no point: give at least one reading with its reference")
	}
	low, high := math.Inf(1), math.Inf(-1)
	var reading, reference float64 // means
	for _, p := range points {
		for _, v := range []float64{p.Reading, p.Reference} {
			if err := q.Plausible(v); err != nil {
				return 0, 0, err
			}
		}
		low, high = min(low, p.Reference), max(high, p.Reference)
		reading, reference = reading+p.Reading/n, reference+p.Reference/n
	}
	if high-low <= apart(q) {
		return 1, reference - reading, nil
	}
	var both, square float64
	for _, p := range points {
		d := p.Reading - reading
		both += float64(d * (p.Reference - reference))
		square += float64(d * d)
	}
	if square == 0 {
		return 0, 0, fmt.Errorf("the sensor reads the same at references %g %s apart: it does not measure", high-low, q.Symbol())
	}
	gain = both / square
	return gain, reference - float64(gain*reading), nil
}
