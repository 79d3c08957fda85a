package unit

import (
	"fmt"
	"math"
)

// Moisture content of a food, always a fraction and never a percentage. The
// two bases differ by a tenth at 10 %, enough to spoil a packing decision:
// the type says which one is meant.
type (
	// DryBasis is grams of water per gram of dry matter, 0 and up.
	DryBasis float64
	// WetBasis is grams of water per gram of food as it stands, 0 to below 1:
	// what a grain meter and a food label state.
	WetBasis float64
)

// WetBasis converts to the wet basis: d/(1+d). d must be 0 or more.
func (d DryBasis) WetBasis() WetBasis { return WetBasis(float64(d) / (1 + float64(d))) }

// DryBasis converts to the dry basis: w/(1-w). w must be 0 to below 1.
func (w WetBasis) DryBasis() DryBasis { return DryBasis(float64(w) / (1 - float64(w))) }

// Percent is the moisture as a percentage of its own basis.
func (d DryBasis) Percent() float64 { return 100 * float64(d) }

// Percent is the moisture as a percentage of its own basis.
func (w WetBasis) Percent() float64 { return 100 * float64(w) }

// String shows the moisture as a percentage with its basis.
func (d DryBasis) String() string { return fmt.Sprintf("%.4g %% d.b.", d.Percent()) }

// String shows the moisture as a percentage with its basis.
func (w WetBasis) String() string { return fmt.Sprintf("%.4g %% w.b.", w.Percent()) }

// Check reports, as an error, a moisture that is negative or not a finite
// number.
func (d DryBasis) Check() error {
	if d >= 0 && !math.IsInf(float64(d), 0) {
		return nil
	}
	return fmt.Errorf("moisture %g on the dry basis is not a finite fraction of 0 or more", float64(d))
}

// Check reports, as an error, a moisture outside 0 to below 1.
func (w WetBasis) Check() error {
	if w >= 0 && w < 1 {
		return nil
	}
	return fmt.Errorf("moisture %g on the wet basis is not a fraction of 0 to below 1: 12 %% is written 0.12", float64(w))
}
