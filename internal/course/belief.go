package course

import (
	"math"
	"slices"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
)

// How a test speaks of the share of life that is consumed. A taster's score
// falls in a straight line from the mean of fresh food to that at the limit of
// the mode that has consumed most, and on beyond it. The scale is that of Peryam
// and Pilgrim 1957 (named in the introduction of Lim, Wood and Green 2009, Chem.
// Senses 34:739, read). 5, neither like nor dislike, is one usual cut-off of it
// in studies of shelf life (Montes Villanueva and Trindade 2010); 6.5 is taken
// too (Muñoz et al. 1992), and it hangs on the food and the people: both and
// that read as cited in a text on limits of acceptability, not in themselves.
// Giménez, Ares and Ares 2012 (Food Research International 49:311; abstract
// read) review the methods. All else is judgement:
// the fresh score, the spread of one untrained person tasting once, the share
// of scores that are slips, and how often a nose misses or imagines a smell.
const (
	freshTaste, limitTaste = 7.5, 5.0
	tasteSpread            = 1.5
	tasteSlip              = 0.05
	smellsPassed           = 0.80 // chance of an off smell where the limit is passed
	smellsBefore           = 0.05 // and where it is not
	// leastEffective is the number of draws that a posterior must at least
	// stand on: below it the tests are taken for weaker than they claim to be.
	leastEffective = 20
	// seedError is a share of trays that tell nothing: wrong temperature, seeds
	// mixed up.
	seedError = 0.02
)

// Evidence is what one test of a lot says of each draw: logarithms of its
// likelihood. Own takes the draw whole, with the lot's own wall, moisture and
// seal. Class takes the constants of the food only, at a likely container:
// what one bottle is like says nothing of the next lot's.
type Evidence struct{ Own, Class []float64 }

// Evidence weighs a test of a lot against each draw, from the course of the lot
// at the instant of the test.
func (f *Follower) Evidence(c Course, l lot.Lot, r lot.Result) (Evidence, error) {
	s, err := f.subject(l)
	if err != nil {
		return Evidence{}, err
	}
	s.luck = f.luck // whatever is believed by now
	v, failure := s.luck.vessel(s.food.ID), s.failure()
	sprout := lot.Range{}
	if s.species != nil && r.Seeds > 0 {
		if sprout, err = c.seeds(); err != nil {
			return Evidence{}, err
		}
	}
	e := Evidence{make([]float64, Draws), make([]float64, Draws)}
	for d := range Draws {
		own := c.consumedBy(s, d, v.place(d, failure))
		class := c.consumedBy(s, d, place{})
		e.Own[d], e.Class[d] = likelihood(r, own), likelihood(r, class)
		if s.species != nil && r.Seeds > 0 {
			e.Own[d] += sprouted(r, germinates(sprout, v.water[d]))
		}
	}
	return e, nil
}

// used is the share of life that a draw has consumed: of the mode that has come
// furthest, and of those that smell; no is that none does.
type used struct {
	worst, smell float64
	smells       bool
}

func (c *Course) consumedBy(s *subject, d int, at place) (u used) {
	for i := range s.food.Modes {
		m := &s.food.Modes[i]
		if m.Nutrient {
			continue
		}
		k := c.modes[i].curve()
		x := k.consumed(m, s.luck.of(s.food.ID, m), d, at, c.dose)
		u.worst = max(u.worst, x)
		if smells(m) {
			u.smell, u.smells = max(u.smell, x), true
		}
	}
	return u
}

// smells says that a mode is told by the nose.
func smells(m *catalog.Mode) bool { return m.Name == "rancidity" || m.Name == "oxidation" }

// likelihood is the logarithm of that of a taste and a smell. Seeds are apart:
// they speak of the lot's water only.
func likelihood(r lot.Result, u used) float64 {
	ln := 0.0
	if r.Taste > 0 {
		ln += math.Log(tastes(r.Taste, u.worst))
	}
	if r.OffSmell != nil && u.smells {
		p := smellsBefore
		if u.smell >= 1 {
			p = smellsPassed
		}
		if !*r.OffSmell {
			p = 1 - p
		}
		ln += math.Log(p)
	}
	return ln
}

// tastes is the chance of a score where a share of life is consumed: the normal
// distribution about the line, a whole score wide, with its ends open; or a
// slip, which is any of the nine.
func tastes(score int, consumed float64) float64 {
	mean := freshTaste + float64((limitTaste-freshTaste)*consumed)
	below := func(x float64) float64 { return 0.5 * math.Erfc((mean-x)/(tasteSpread*math.Sqrt2)) }
	low, high := 0.0, 1.0
	if score > 1 {
		low = below(float64(score) - 0.5)
	}
	if score < 9 {
		high = below(float64(score) + 0.5)
	}
	return tasteSlip/9 + float64((1-tasteSlip)*max(0, high-low))
}

// germinates is the share of seeds that sprout in a draw: the damper, the fewer.
func germinates(r lot.Range, water float64) float64 {
	return min(1, max(0, split(r.Low, r.Likely, r.High, -water)))
}

// sprouted is the logarithm of the likelihood of a germination test: binomial,
// or a tray that tells nothing, which is as likely to give any number.
func sprouted(r lot.Result, p float64) float64 {
	choose := func(n int) float64 { g, _ := math.Lgamma(float64(n) + 1); return g }
	n, k := float64(r.Seeds), float64(r.Sprouted)
	p = min(1-1e-12, max(1e-12, p))
	ln := choose(r.Seeds) - choose(r.Sprouted) - choose(r.Seeds-r.Sprouted) + float64(k*math.Log(p)) + float64((n-k)*math.Log1p(-p))
	return math.Log(seedError/(n+1) + float64((1-seedError)*math.Exp(ln)))
}

// Belief is how far the draws are believed after tests.
type Belief struct {
	// Effective is how many draws the posterior stands on, 1 / sum of squared
	// weights: Draws where the tests said nothing.
	Effective float64
	// Power is what every likelihood was raised to so that Effective does not
	// fall below 20: 1 where it did not.
	Power float64
	// pick is for each of Draws equally likely draws the prior one it is.
	pick []int
}

// Believe joins evidence that is independent given the draw. The weights go
// over into draws of equal weight by systematic resampling (Kitagawa 1996, J.
// Comput. Graph. Stat. 5:1, from memory): draw d stands in the posterior as often as its
// weight in 200ths says, so every quantile of equal draws is the weighted one
// to within one draw. Evidence that tells no draw from another picks each once.
func Believe(logs ...[]float64) Belief {
	sum := make([]float64, Draws)
	for _, l := range logs {
		for d, x := range l {
			sum[d] += x
		}
	}
	top := slices.Max(sum)
	weights := make([]float64, Draws)
	weigh := func(power float64) (effective float64) {
		total, squares := 0.0, 0.0
		for d, x := range sum {
			weights[d] = math.Exp(power * (x - top))
			total += weights[d]
		}
		for d := range weights {
			weights[d] /= total
			squares += float64(weights[d] * weights[d])
		}
		return 1 / squares
	}
	b := Belief{Power: 1}
	if b.Effective = weigh(1); b.Effective < leastEffective {
		low, high := 0.0, 1.0
		for range 50 {
			b.Power = (low + high) / 2
			if weigh(b.Power) < leastEffective {
				high = b.Power
			} else {
				low = b.Power
			}
		}
		b.Power = low
		b.Effective = weigh(low)
	}
	sofar, at := weights[0], 0
	for i := range Draws {
		u := (float64(i) + 0.5) / Draws
		for sofar < u && at < Draws-1 {
			at++
			sofar += weights[at]
		}
		b.pick = append(b.pick, at)
	}
	return b
}

// Same says that two beliefs are of the same draws.
func (b Belief) Same(o Belief) bool {
	return slices.Equal(b.pick, o.pick) && b.Effective == o.Effective && b.Power == o.Power
}

// Hold makes the follower look at a lot by a belief; nil by the prior.
func (f *Follower) Hold(id string, b *Belief) {
	delete(f.beliefs, id)
	if b == nil {
		return
	}
	x := newLuck()
	x.prior, x.pick = f.luck, b.pick
	f.beliefs[id] = x
}

// luckOf are the draws by which a lot is looked at.
func (f *Follower) luckOf(id string) *luck {
	if x := f.beliefs[id]; x != nil {
		return x
	}
	return f.luck
}

// informed says that tests have spoken: the likely value is then the median of
// the draws, since no one set of constants is the likely one any more.
func (s *subject) informed() bool { return s.luck.prior != nil }

// uninformed is the same lot by the prior.
func (s *subject) uninformed() *subject {
	x := *s
	x.luck = s.luck.prior
	return &x
}

// middle is the likely value: as given by the prior, after tests the median.
func (s *subject) middle(values []float64, prior float64) float64 {
	if !s.informed() {
		return prior
	}
	x := slices.Clone(values)
	slices.Sort(x)
	return (x[len(x)/2-1] + x[len(x)/2]) / 2
}

// picked are those values of draws that a belief picks.
func picked(of []float64, pick []int) []float64 {
	out := make([]float64, len(pick))
	for i, d := range pick {
		out[i] = of[d]
	}
	return out
}

func (v *vessels) picked(pick []int) *vessels {
	return &vessels{picked(v.wall, pick), picked(v.water, pick), picked(v.cover, pick), picked(v.share, pick), picked(v.seal, pick)}
}

func (t *traits) picked(pick []int) *traits {
	return &traits{
		life: picked(t.life, pick), gain: picked(t.gain, pick), light: picked(t.light, pick), lnTenth: picked(t.lnTenth, pick),
		half: picked(t.half, pick), low: picked(t.low, pick), high: picked(t.high, pick),
	}
}

// Prior is what the model said before any test.
type Prior struct {
	Remaining lot.Range
	Viable    *lot.Range
}
