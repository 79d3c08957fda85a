package forecast

import (
	"math"
	"sort"

	"dryhold/internal/kinetics"
	"dryhold/internal/room"
	"dryhold/internal/thermal"
	"dryhold/internal/unit"
)

// LnFactor is the logarithm of the mean acceleration factor, relative to
// room.Reference, of temperatures that swing as a sine of amplitude swing
// (0 K or more) about daily means that are normal about mean with the variance
// spread (K², 0 or more).
//
// With T = m + d the exponent of Arrhenius is E/R (1/Tr - 1/m) + a d - b d²
// + ..., a = E/R/m², b = E/R/m³ (m in K). Over the normal part the mean is
// exact: exp(a² v / 2(1+2bv)) / sqrt(1+2bv); over the sine it is I0(a A), the
// modified Bessel function, less b A²/2. Against the integral it is right to
// 0.5 % for swings up to 6 K and 1.5 % up to 12 K at 100 kJ/mol (a test).
func LnFactor(ea unit.KJPerMol, mean unit.Celsius, swing, spread float64) float64 {
	e, ref := float64(ea)/kinetics.R, float64(room.Reference.Kelvin())
	m := max(150, float64(mean.Kelvin()))
	a, b := e/(m*m), e/(m*m*m)
	ln := e * (m - ref) / (m * ref)
	if spread > 0 {
		w := 1 + 2*b*spread
		ln += a*a*spread/(2*w) - 0.5*math.Log(w)
	}
	if swing > 0 {
		ln += lnBessel(a*swing) - 0.5*b*swing*swing
	}
	return ln
}

// lnBessel is ln I0(x) for x of 0 or more (Abramowitz & Stegun 1964, 9.8.1 and
// 9.8.2; relative error of I0 below 2e-7).
func lnBessel(x float64) float64 {
	t := x / 3.75
	if t < 1 {
		t *= t
		return math.Log1p(t * (3.5156229 + t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813))))))
	}
	t = 1 / t
	p := 0.39894228 + t*(0.01328592+t*(0.00225319+t*(-0.00157565+t*(0.00916281+t*(-0.02057706+t*(0.02635537+t*(-0.01647633+t*0.00392377)))))))
	return x - 0.5*math.Log(x) + math.Log(p)
}

// The exposure of every member is taken at a few energies (kJ/mol) and shares
// of the square of the swing that a core lag leaves; ln of it is smooth in
// both, so that the polynomial through them gives it at any other: between 0
// and 300 kJ/mol to 0.1 % (a test). At 0 it is the time itself.
const (
	energies = 5
	shares   = 3
)

func energyNodes() [energies]float64 { return [energies]float64{0, 50, 100, 175, 300} }
func shareNodes() [shares]float64    { return [shares]float64{0, 0.5, 1} }

// grid is mean and spread over the members of ln of the exposure up to the end
// of each piece, by share and energy.
type grid [][shares][energies]struct{ mid, spread float64 }

func newGrid(edges []int, sums []sum, members int) grid {
	g := make(grid, len(edges))
	eas, parts := energyNodes(), shareNodes()
	total := make([][shares][energies]float64, members)
	start := 0
	for p, end := range edges {
		days := float64(end - start)
		start = end
		row := sums[p*members : (p+1)*members]
		for s, part := range parts {
			g[p][s][0].mid = math.Log(float64(end))
			for e := 1; e < energies; e++ {
				var mean, square float64
				for i := range row {
					x := &row[i]
					f := LnFactor(unit.KJPerMol(eas[e]), unit.Celsius(x.temp), math.Sqrt(part*x.swing), x.spread)
					total[i][s][e] += days * math.Exp(min(200, f))
					ln := math.Log(total[i][s][e])
					mean += ln
					square += ln * ln
				}
				n := float64(members)
				mean /= n
				g[p][s][e].mid = mean
				g[p][s][e].spread = math.Sqrt(max(0, square/n-mean*mean) * n / max(1, n-1))
			}
		}
	}
	return g
}

// lagrange gives the weights of the nodes at x.
func lagrange(nodes []float64, x float64) (w [energies]float64) {
	for i := range nodes {
		w[i] = 1
		for k := range nodes {
			if k != i {
				w[i] *= (x - nodes[k]) / (nodes[i] - nodes[k])
			}
		}
	}
	return w
}

// Exposure is the thermal exposure ahead for one activation energy behind one
// core lag, in days at room.Reference from the instant of its Ahead on.
//
// ln of it is taken as normal over the futures with a spread that changes with
// the time ahead. Whether a lot has ended by some day depends on the exposure
// up to that day alone; so one standard normal number z for each future, held
// for all days, gives the dates of the end their true distribution: the
// joining of futures from day to day does not matter for it.
type Exposure struct {
	offset float64
	base   float64   // exposure of the part of the first day that is over, z = 0
	edges  []float64 // days, from 0
	ln     []float64 // mean of ln of the exposure up to each edge
	spread []float64
}

// Exposure makes it: some microseconds, so keep one for each pair in use.
func (a *Ahead) Exposure(ea unit.KJPerMol, lag unit.Hours) Exposure {
	eas, parts := energyNodes(), shareNodes()
	left := thermal.Attenuation(max(0, lag), 24)
	if left != left {
		left = 1
	}
	we, ws := lagrange(eas[:], float64(max(0, min(ea, kinetics.MaxEa)))), lagrange(parts[:], left*left)
	x := Exposure{offset: a.offset, edges: a.edges, ln: make([]float64, len(a.edges)), spread: make([]float64, len(a.edges))}
	for p := range a.grid {
		for s := range shares {
			for e := range energies {
				n, w := &a.grid[p][s][e], ws[s]*we[e]
				x.ln[p] += float64(w * n.mid)
				x.spread[p] += float64(w * n.spread)
			}
		}
	}
	x.tame()
	x.base = x.upTo(a.offset, 0)
	return x
}

// tame holds the spread within what lets the exposure grow for every z of -3
// to 3: more time never means less of it.
func (x *Exposure) tame() {
	for p := range x.ln {
		x.spread[p] = max(0, x.spread[p])
		if p == 0 {
			continue
		}
		x.ln[p] = max(x.ln[p], x.ln[p-1])
		room := (x.ln[p] - x.ln[p-1]) / 3
		x.spread[p] = min(x.spread[p-1]+room, max(x.spread[p-1]-room, x.spread[p]))
	}
}

// upTo is the exposure from the start of the first day to a day.
func (x *Exposure) upTo(day, z float64) float64 {
	n := len(x.edges)
	at := func(i int) (float64, float64) {
		if i < 0 {
			return 0, 0
		}
		return x.edges[i], math.Exp(x.ln[i] + float64(z*x.spread[i]))
	}
	i := sort.SearchFloat64s(x.edges, day)
	if i == n {
		// The last ten years go on.
		k := sort.SearchFloat64s(x.edges, x.edges[n-1]-10*year)
		d0, e0 := at(k)
		d1, e1 := at(n - 1)
		return e1 + (day-d1)*(e1-e0)/(d1-d0)
	}
	d0, e0 := at(i - 1)
	d1, e1 := at(i)
	return e0 + (day-d0)*(e1-e0)/(d1-d0)
}

// UpTo is the exposure up to so many days ahead, 0 or more, in the future that
// lies z standard deviations from the likely one; z is held to -3 to 3.
func (x *Exposure) UpTo(days, z float64) unit.Days {
	z = min(3, max(-3, z))
	base := x.base
	if z != 0 && x.offset > 0 {
		base = x.upTo(x.offset, z)
	}
	return unit.Days(max(0, x.upTo(max(0, days)+x.offset, z)-base))
}

// Factor is the mean acceleration factor of the likely future between two
// instants, in days ahead; to must lie after from.
func (x *Exposure) Factor(from, to float64) float64 {
	if !(to > from) {
		to = from + 1
	}
	return float64(x.UpTo(to, 0)-x.UpTo(from, 0)) / (to - from)
}

// LnSpread is the standard deviation over the futures of ln of the exposure up
// to so many days ahead: what a draw multiplies by its z.
func (x *Exposure) LnSpread(days float64) float64 {
	day := max(0, days) + x.offset
	i := sort.SearchFloat64s(x.edges, day)
	n := len(x.edges)
	switch {
	case i == 0:
		return x.spread[0]
	case i == n:
		return x.spread[n-1]
	}
	share := (day - x.edges[i-1]) / (x.edges[i] - x.edges[i-1])
	return x.spread[i-1] + float64(share*(x.spread[i]-x.spread[i-1]))
}
