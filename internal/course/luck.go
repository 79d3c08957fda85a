package course

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
)

const (
	// Draws is how many sets of parameters stand behind every band.
	Draws = 200
	// edge is the standard normal quantile of 90 %: a catalog band is read as
	// 10 to 90 %.
	edge = 1.2815515655446004
	seed = 20260701
)

// luck holds the random numbers of every food: the same for all its lots
// (common random numbers) and the same at every run.
type luck struct {
	vessels map[string]*vessels
	modes   map[string]*traits
	futures []float64 // standard normal: place among the futures of the climate
	// prior and pick are of what tests have made of the draws; nil without.
	prior *luck
	pick  []int
}

// vessels is where each draw lies for the container and the room: standard
// normal numbers, and a uniform one for the seal.
type vessels struct{ wall, water, cover, share, seal []float64 }

// traits are the constants of one mode in each draw, made from its bands.
type traits struct {
	life, gain []float64
	light      []float64 // 1/(lx h)
	lnTenth    []float64 // ln(PerTenth) beyond its likely value
	half       []float64 // standard normal: place in the band of OxygenHalf
	// The parabola through ln of the sums at the low, the likely and the high
	// activation energy: weights of the first and the last, their logarithms
	// taken relative to the second.
	low, high []float64
}

func newLuck() *luck {
	return &luck{vessels: map[string]*vessels{}, modes: map[string]*traits{}}
}

// shuffled gives Latin hypercube columns: each of Draws slices of equal chance
// once, in an order of its own, from a seed that the key names.
func shuffled(key string) func() []float64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(key)) // a hash takes all
	rng := rand.New(rand.NewPCG(seed, h.Sum64()))
	return func() []float64 {
		u := make([]float64, Draws)
		for i, k := range rng.Perm(Draws) {
			u[i] = (float64(k) + 0.5) / Draws
		}
		return u
	}
}

// normal turns uniform numbers into standard normal ones.
func normal(u []float64) []float64 {
	for i, x := range u {
		u[i] = math.Sqrt2 * math.Erfinv(2*x-1)
	}
	return u
}

func (k *luck) vessel(food string) *vessels {
	v := k.vessels[food]
	if v == nil && k.prior != nil {
		v = k.prior.vessel(food).picked(k.pick)
		k.vessels[food] = v
	}
	if v == nil {
		draw := shuffled(food)
		v = &vessels{normal(draw()), normal(draw()), normal(draw()), normal(draw()), draw()}
		k.vessels[food] = v
	}
	return v
}

func (k *luck) of(food string, m *catalog.Mode) *traits {
	key := food + "\x00" + m.Name
	t := k.modes[key]
	if t == nil && k.prior != nil {
		t = k.prior.of(food, m).picked(k.pick)
		k.modes[key] = t
	}
	if t == nil {
		draw := shuffled(key)
		t = newTraits(m, func() []float64 { return normal(draw()) })
		k.modes[key] = t
	}
	return t
}

func newTraits(m *catalog.Mode, draw func() []float64) *traits {
	each := func(b catalog.Band) []float64 {
		z := draw()
		for i := range z {
			z[i] = geometric(b, z[i])
		}
		return z
	}
	t := &traits{life: each(m.Life), gain: each(m.LowOxygenGain), light: each(m.LightRate), half: draw(), lnTenth: draw()}
	for i, g := range t.gain {
		t.gain[i] = max(1, g) // beyond its low edge too, air preserves nothing
	}
	for i, z := range t.lnTenth {
		t.lnTenth[i] = math.Log(max(1, linear(m.PerTenth, z))) - math.Log(max(1, m.PerTenth.Likely))
	}
	x0, x1, x2 := m.Ea.Low, m.Ea.Likely, m.Ea.High
	t.low, t.high = make([]float64, Draws), make([]float64, Draws)
	for i, z := range draw() {
		switch ea := max(0, linear(m.Ea, z)); { // warmth slows nothing
		case x0 < x1 && x1 < x2:
			t.low[i] = (ea - x1) * (ea - x2) / ((x0 - x1) * (x0 - x2))
			t.high[i] = (ea - x0) * (ea - x1) / ((x2 - x0) * (x2 - x1))
		case x0 < x1 && z < 0:
			t.low[i] = (ea - x1) / (x0 - x1)
		case x1 < x2 && z > 0:
			t.high[i] = (ea - x1) / (x2 - x1)
		}
	}
	return t
}

// linear is the value of a band at a standard normal number: likely at 0, low
// and high at the 10 and 90 % quantiles.
func linear(b catalog.Band, z float64) float64 { return split(b.Low, b.Likely, b.High, z) }

// geometric is the same on the logarithm, for bands that are above 0.
func geometric(b catalog.Band, z float64) float64 {
	if !(b.Low > 0) {
		return max(0, linear(b, z))
	}
	return math.Exp(split(math.Log(b.Low), math.Log(b.Likely), math.Log(b.High), z))
}

func split(low, mid, high, z float64) float64 {
	if z < 0 {
		return mid + float64((mid-low)*z/edge)
	}
	return mid + float64((high-mid)*z/edge)
}

// place is where one draw stands: on the failed track, or between the others.
type place struct {
	failed      bool
	wall, water float64 // standard normal
	cover       float64
}

func (v *vessels) place(i int, failure lot.Range) place {
	share := min(1, max(0, split(failure.Low, failure.Likely, failure.High, v.share[i])))
	return place{v.seal[i] < share, v.wall[i], v.water[i], v.cover[i]}
}

// band is the 10 and 90 % quantile of one value a draw, which it sorts, held
// to enclose the likely one.
func band(values []float64, mid float64) lot.Range {
	slices.Sort(values)
	n := len(values)
	return lot.Range{Low: min(mid, values[n/10]), Likely: mid, High: max(mid, values[n-1-n/10])}
}
