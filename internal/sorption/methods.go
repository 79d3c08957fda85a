package sorption

import "dryhold/internal/unit"

// Moisture is the equilibrium moisture: see Isotherm.
func (h ModifiedHenderson) Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error) {
	return moistureAt(h, aw, t)
}

// Activity is the equilibrium water activity: see Isotherm.
func (h ModifiedHenderson) Activity(m unit.DryBasis, t unit.Celsius) (float64, error) {
	return activityAt(h, m, t)
}

// Valid is the trusted range: see Isotherm.
func (h ModifiedHenderson) Valid() Range { return Trusted() }

// Moisture is the equilibrium moisture: see Isotherm.
func (c ChungPfost) Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error) {
	return moistureAt(c, aw, t)
}

// Activity is the equilibrium water activity: see Isotherm.
func (c ChungPfost) Activity(m unit.DryBasis, t unit.Celsius) (float64, error) {
	return activityAt(c, m, t)
}

// Valid is the trusted range: see Isotherm.
func (c ChungPfost) Valid() Range { return Trusted() }

// Moisture is the equilibrium moisture: see Isotherm.
func (c ChungPfostPercent) Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error) {
	return moistureAt(c, aw, t)
}

// Activity is the equilibrium water activity: see Isotherm.
func (c ChungPfostPercent) Activity(m unit.DryBasis, t unit.Celsius) (float64, error) {
	return activityAt(c, m, t)
}

// Valid is the trusted range: see Isotherm.
func (c ChungPfostPercent) Valid() Range { return Trusted() }

// Moisture is the equilibrium moisture: see Isotherm.
func (o ModifiedOswin) Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error) {
	return moistureAt(o, aw, t)
}

// Activity is the equilibrium water activity: see Isotherm.
func (o ModifiedOswin) Activity(m unit.DryBasis, t unit.Celsius) (float64, error) {
	return activityAt(o, m, t)
}

// Valid is the trusted range: see Isotherm.
func (o ModifiedOswin) Valid() Range { return Trusted() }

// Moisture is the equilibrium moisture: see Isotherm.
func (h ModifiedHalsey) Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error) {
	return moistureAt(h, aw, t)
}

// Activity is the equilibrium water activity: see Isotherm.
func (h ModifiedHalsey) Activity(m unit.DryBasis, t unit.Celsius) (float64, error) {
	return activityAt(h, m, t)
}

// Valid is the trusted range: see Isotherm.
func (h ModifiedHalsey) Valid() Range { return Trusted() }

// Moisture is the equilibrium moisture: see Isotherm.
func (g GAB) Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error) { return moistureAt(g, aw, t) }

// Activity is the equilibrium water activity: see Isotherm.
func (g GAB) Activity(m unit.DryBasis, t unit.Celsius) (float64, error) { return activityAt(g, m, t) }

// Valid is the trusted range: see Isotherm.
func (g GAB) Valid() Range { return Trusted() }

// Moisture is the equilibrium moisture: see Isotherm.
func (s Seed) Moisture(aw float64, t unit.Celsius) (unit.DryBasis, error) {
	return moistureAt(s, aw, t)
}

// Activity is the equilibrium water activity: see Isotherm.
func (s Seed) Activity(m unit.DryBasis, t unit.Celsius) (float64, error) { return activityAt(s, m, t) }

// Valid is the trusted range: see Isotherm.
func (s Seed) Valid() Range { return Trusted() }
