package sorption

import (
	"fmt"
	"math"
)

// The equations, M being percent of the dry matter, m = M/100, T °C and RH a
// fraction (models 4.1; ASAE D245.4 and D245.5).
type (
	// ModifiedHenderson is RH = 1 - exp(-K (T+C) M^N) (Thompson).
	ModifiedHenderson struct{ K, N, C float64 }
	// ChungPfost is RH = exp(-A/(T+C) exp(-B m)), m as a decimal fraction:
	// the constants of ASAE D245.4.
	ChungPfost struct{ A, B, C float64 }
	// ChungPfostPercent is ChungPfost with M in percent, B a hundredth of the
	// decimal one: the constants of ASAE D245.5.
	ChungPfostPercent struct{ A, B, C float64 }
	// ModifiedOswin is RH = 1/(1 + ((A+B T)/M)^C).
	ModifiedOswin struct{ A, B, C float64 }
	// ModifiedHalsey is RH = exp(-exp(A+B T) M^-C).
	ModifiedHalsey struct{ A, B, C float64 }
	// GAB is m = Xm C K a/((1-K a)(1-K a+C K a)), Xm a decimal fraction
	// (models 4.2). It does not know the temperature.
	GAB struct{ Xm, C, K float64 }
	// Seed is the general seed equation of Cromarty, Ellis and Roberts 1982,
	// 1-RH = exp(-(M (1.1+T/90)/(1-Oil))^2/440), Oil being the oil content as
	// a fraction of the dry matter: for crops without a set of their own.
	Seed struct{ Oil float64 }
)

// coldest is the lowest temperature at which an equation is evaluated, °C.
const coldest = -10

func (h ModifiedHenderson) activity(m, t float64) float64 {
	return -math.Expm1(-h.K * (t + h.C) * math.Pow(100*m, h.N))
}

func (h ModifiedHenderson) moisture(aw, t float64) float64 {
	return math.Pow(-math.Log1p(-aw)/(h.K*(t+h.C)), 1/h.N) / 100
}

func (h ModifiedHenderson) curve(m, t float64) (aw, slope float64) {
	z := h.K * (t + h.C) * math.Pow(100*m, h.N)
	aw = -math.Expm1(-z)
	return aw, (1 - aw) * z * h.N / m
}

// Check reports constants that make no isotherm.
func (h ModifiedHenderson) Check() error {
	return check("modified Henderson", h, h.K, h.N, h.C+coldest)
}

func (c ChungPfost) activity(m, t float64) float64 {
	return math.Exp(-c.A / (t + c.C) * math.Exp(-c.B*m))
}

func (c ChungPfost) moisture(aw, t float64) float64 {
	return -math.Log(-(t+c.C)*math.Log(aw)/c.A) / c.B
}

func (c ChungPfost) curve(m, t float64) (aw, slope float64) {
	z := c.A / (t + c.C) * math.Exp(-c.B*m)
	aw = math.Exp(-z)
	return aw, aw * z * c.B
}

// Check reports constants that make no isotherm.
func (c ChungPfost) Check() error { return check("Chung-Pfost", c, c.A, c.B, c.C+coldest) }

func (c ChungPfostPercent) decimal() ChungPfost { return ChungPfost{c.A, 100 * c.B, c.C} }

func (c ChungPfostPercent) activity(m, t float64) float64  { return c.decimal().activity(m, t) }
func (c ChungPfostPercent) moisture(aw, t float64) float64 { return c.decimal().moisture(aw, t) }
func (c ChungPfostPercent) curve(m, t float64) (aw, slope float64) {
	return c.decimal().curve(m, t)
}

// Check reports constants that make no isotherm.
func (c ChungPfostPercent) Check() error { return c.decimal().Check() }

func (o ModifiedOswin) activity(m, t float64) float64 {
	return 1 / (1 + math.Pow((o.A+float64(o.B*t))/(100*m), o.C))
}

func (o ModifiedOswin) moisture(aw, t float64) float64 {
	return (o.A + float64(o.B*t)) / math.Pow((1-aw)/aw, 1/o.C) / 100
}

func (o ModifiedOswin) curve(m, t float64) (aw, slope float64) {
	aw = o.activity(m, t)
	return aw, aw * (1 - aw) * o.C / m
}

// Check reports constants that make no isotherm.
func (o ModifiedOswin) Check() error {
	h := Hard()
	return check("modified Oswin", o, o.A+float64(o.B*float64(h.TLow)), o.A+float64(o.B*float64(h.THigh)), o.C)
}

func (h ModifiedHalsey) activity(m, t float64) float64 {
	return math.Exp(-math.Exp(h.A+float64(h.B*t)) * math.Pow(100*m, -h.C))
}

func (h ModifiedHalsey) moisture(aw, t float64) float64 {
	return math.Pow(math.Exp(h.A+float64(h.B*t))/-math.Log(aw), 1/h.C) / 100
}

func (h ModifiedHalsey) curve(m, t float64) (aw, slope float64) {
	z := math.Exp(h.A+float64(h.B*t)) * math.Pow(100*m, -h.C)
	aw = math.Exp(-z)
	return aw, aw * z * h.C / m
}

// Check reports constants that make no isotherm.
func (h ModifiedHalsey) Check() error {
	r := Hard()
	return check("modified Halsey", h, math.Exp(h.A+float64(h.B*float64(r.TLow))), math.Exp(h.A+float64(h.B*float64(r.THigh))), h.C)
}

func (g GAB) moisture(aw, _ float64) float64 {
	u := g.K * aw
	return g.Xm * g.C * u / ((1 - u) * (1 + float64((g.C-1)*u)))
}

// activity solves y (C-1) u^2 + (C - y (C-2)) u - y = 0 for u = K a in (0,1),
// with y = m/Xm, in the form that does not subtract near equals.
func (g GAB) activity(m, _ float64) float64 {
	y := m / g.Xm
	b := g.C - float64(y*(g.C-2))
	root := math.Sqrt(float64(b*b) + float64(4*y*y*(g.C-1)))
	if b >= 0 {
		return 2 * y / (b + root) / g.K
	}
	return (root - b) / (2 * y * (g.C - 1)) / g.K
}

func (g GAB) curve(m, t float64) (aw, slope float64) {
	aw = g.activity(m, t)
	u := g.K * aw
	p, q := 1-u, 1+float64((g.C-1)*u)
	// dy/du of y = C u/(p q)
	dy := g.C * (float64(p*q) + float64(u*q) - float64(u*p*(g.C-1))) / (p * q * p * q)
	return aw, 1 / (g.Xm * g.K * dy)
}

// Check reports constants that make no isotherm. K above 1 would put the pole
// of the equation at a humidity below saturation.
func (g GAB) Check() error {
	if g.K > 1 {
		return fmt.Errorf("GAB isotherm with K %g makes no sense: K is above 0 and at most 1", g.K)
	}
	return check("GAB", g, g.Xm, g.C, g.K)
}

// z is the bracket of the seed equation per unit of moisture as a fraction.
func (s Seed) z(t float64) float64 { return 100 * (1.1 + t/90) / (1 - s.Oil) }

func (s Seed) activity(m, t float64) float64 {
	z := m * s.z(t)
	return -math.Expm1(-z * z / 440)
}

func (s Seed) moisture(aw, t float64) float64 { return math.Sqrt(-440*math.Log1p(-aw)) / s.z(t) }

func (s Seed) curve(m, t float64) (aw, slope float64) {
	z := m * s.z(t)
	aw = -math.Expm1(-z * z / 440)
	return aw, (1 - aw) * 2 * z * s.z(t) / 440
}

// Check reports an oil content that makes no isotherm.
func (s Seed) Check() error {
	if s.Oil >= 0 && s.Oil < 1 {
		return nil
	}
	return fmt.Errorf("oil content %g is not a fraction of the dry matter, 0 to below 1", s.Oil)
}

// check reports constants that are not finite numbers above 0, or that give no
// food: a moisture at half saturation outside 0.2 to 100 % of the dry matter,
// or one that does not rise with humidity. The commonest cause is a constant
// for percent in the place of one for a fraction.
func check(name string, i Isotherm, constants ...float64) error {
	for _, c := range constants {
		if !(c > 0) || math.IsInf(c, 0) {
			return fmt.Errorf("%s isotherm makes no sense: its constants, and the sums of them at %g and %g °C, must be finite and above 0, but are %v",
				name, float64(Hard().TLow), float64(Hard().THigh), constants)
		}
	}
	for _, t := range []float64{float64(Hard().TLow), float64(Hard().THigh)} {
		dry, half, damp := i.moisture(0.1, t), i.moisture(0.5, t), i.moisture(0.9, t)
		if !(half >= 0.002 && half <= 1 && dry < half && half < damp && damp > 2*dryEnd) || math.IsInf(damp, 0) {
			return fmt.Errorf("%s isotherm makes no sense: at %g °C it holds %.3g, %.3g and %.3g %% d.b. at 10, 50 and 90 %% humidity; are the constants meant for percent or for a fraction?",
				name, t, 100*dry, 100*half, 100*damp)
		}
	}
	return nil
}
