package course

import (
	"math"

	"dryhold/internal/catalog"
)

// curve is the progress of a mode in the form that draws read: logarithms of
// its sums relative to the likely ones.
type curve struct {
	lean                float64
	allowed             [tracks]float64 // share of the oxygen-driven rate, 0 to 1 and a little
	water               [tracks]float64 // ln of the lean sum relative to the likely track
	leanLow, leanHigh   float64         // ln of the lean sum at the edges of the energy
	richLow, richHigh   [tracks]float64 // the same of the rich one, beyond that of the lean
	halfLow, halfHigh   [tracks]float64 // factors of allowed at the edges of OxygenHalf
	tenths              [tracks]float64 // mean water activity beyond that of Life, in tenths
	coverLow, coverHigh float64         // factors of exposure at the edges of estimates
}

// curve is empty, lean 0, before the first step.
func (p *progress) curve() curve {
	lean := p.lean[likely]
	if !(lean > 0) {
		return curve{}
	}
	c := curve{lean: lean, coverLow: 1, coverHigh: 1}
	c.leanLow, c.leanHigh = math.Log(p.lowLean/lean), math.Log(p.highLean/lean)
	for t := range tracks {
		rich := p.rich[t]
		c.allowed[t] = rich / p.lean[t]
		c.water[t] = math.Log(p.lean[t] / lean)
		c.tenths[t] = p.tenths[t] / p.lean[t]
		c.halfLow[t], c.halfHigh[t] = 1, 1
		if rich > 0 {
			c.richLow[t], c.richHigh[t] = math.Log(p.lowRich[t]/rich)-c.leanLow, math.Log(p.highRich[t]/rich)-c.leanHigh
			c.halfLow[t], c.halfHigh[t] = p.halfLow[t]/rich, p.halfHigh[t]/rich
		}
	}
	if x := p.exposure.Likely; x > 0 {
		c.coverLow, c.coverHigh = p.exposure.Low/x, p.exposure.High/x
	}
	return c
}

// consumed is the share of its life that the mode has consumed in draw i.
func (c *curve) consumed(m *catalog.Mode, t *traits, i int, at place, dose float64) float64 {
	if c.lean == 0 {
		return 0
	}
	// Where a seal leaks, the food was packed as dry or damp as where it holds.
	water, tenths := split(c.water[tight], 0, c.water[loose], at.water), split(c.tenths[tight], c.tenths[likely], c.tenths[loose], at.water)
	if at.failed {
		water += c.water[failed]
		tenths += c.tenths[failed] - c.tenths[likely]
	}
	ln := water + float64(t.low[i]*c.leanLow) + float64(t.high[i]*c.leanHigh) + float64(t.lnTenth[i]*tenths)
	lean := c.lean * math.Exp(ln) * max(0, split(c.coverLow, 1, c.coverHigh, at.cover))
	g := t.gain[i]
	if g > 1 {
		lean *= 1/g + float64((1-1/g)*c.air(t, i, at))
	}
	return lean/t.life[i] + lightShare(m, t.light[i], dose)
}

// air is the share of its oxygen-driven rate that the oxygen inside allows in
// draw i.
func (c *curve) air(t *traits, i int, at place) float64 {
	among := func(of *[tracks]float64) float64 {
		if at.failed {
			return of[failed]
		}
		return split(of[tight], of[likely], of[loose], at.wall)
	}
	energy := math.Exp(float64(t.low[i]*among(&c.richLow)) + float64(t.high[i]*among(&c.richHigh)))
	half := split(among(&c.halfLow), 1, among(&c.halfHigh), t.half[i])
	return min(1, max(0, among(&c.allowed))*energy*max(0, half))
}
