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
	richLow, richHigh   float64         // the same of the rich one, beyond that of the lean
	halfLow, halfHigh   float64         // factors of allowed at the edges of OxygenHalf
	tenths              float64         // mean water activity beyond that of Life, in tenths
	coverLow, coverHigh float64         // factors of exposure at the edges of estimates
}

// curve is empty, lean 0, before the first step.
func (p *progress) curve() curve {
	lean := p.lean[likely]
	if !(lean > 0) {
		return curve{}
	}
	c := curve{lean: lean, tenths: p.tenths / lean, halfLow: 1, halfHigh: 1, coverLow: 1, coverHigh: 1}
	for t := range tracks {
		c.allowed[t] = p.rich[t] / p.lean[t]
		c.water[t] = math.Log(p.lean[t] / lean)
	}
	c.leanLow, c.leanHigh = math.Log(p.lowLean/lean), math.Log(p.highLean/lean)
	if rich := p.rich[likely]; rich > 0 {
		c.richLow, c.richHigh = math.Log(p.lowRich/rich)-c.leanLow, math.Log(p.highRich/rich)-c.leanHigh
		c.halfLow, c.halfHigh = p.half[0]/rich, p.half[1]/rich
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
	water, air := split(c.water[tight], 0, c.water[loose], at.water), c.allowed[failed]
	if at.failed {
		water += c.water[failed]
	} else {
		air = min(1, max(0, split(c.allowed[tight], c.allowed[likely], c.allowed[loose], at.wall)))
	}
	ln := water + float64(t.low[i]*c.leanLow) + float64(t.high[i]*c.leanHigh) + float64(t.lnTenth[i]*c.tenths)
	lean := c.lean * math.Exp(ln) * max(0, split(c.coverLow, 1, c.coverHigh, at.cover))
	if c.richLow != 0 || c.richHigh != 0 {
		air *= math.Exp(float64(t.low[i]*c.richLow) + float64(t.high[i]*c.richHigh))
	}
	if m.OxygenHalf.Likely > 0 {
		air *= max(0, split(c.halfLow, 1, c.halfHigh, t.half[i]))
	}
	g := t.gain[i]
	return lean*(1/g+float64((1-1/g)*min(1, air)))/t.life[i] + lightShare(m, t.light[i], dose)
}
