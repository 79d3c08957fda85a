package barrier

import (
	"fmt"
	"math"

	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

// Uptake is oxygen taken up by the food itself, first order in oxygen. The
// zero Uptake is none.
type Uptake struct {
	Rate float64       // cm3 per kg and day in air, at WallReference
	Ea   unit.KJPerMol // of the rate
	Mass float64       // kg
}

// Gas is the gas space of one container and what feeds and drains its oxygen.
type Gas struct {
	Volume   float64 // cm3, see GasSpace
	Wall     Wall
	Absorber Absorber
	Uptake   Uptake
}

// GasState is what is followed over time.
type GasState struct {
	Oxygen float64 // partial pressure in atm, 0 to 1
	Left   float64 // of the absorber's rating, cm3
}

// Surroundings is what a gas space sees during a step.
type Surroundings struct {
	Core     unit.Celsius
	Activity float64 // water activity of the food, for moisture-activated packets
	Outside  float64 // oxygen of the room in atm, AirOxygen as a rule
}

// GasFlow is oxygen moved during a step, cm3. In is what came through wall and
// closure, negative when it left. Volume times the change of Oxygen equals
// In - Absorbed - Eaten.
type GasFlow struct {
	In, Absorbed, Eaten float64
	Mean                float64 // oxygen over the step, atm
}

// Check reports, as an error, figures that make no gas space.
func (g Gas) Check() error {
	if !(g.Volume > 0) || math.IsInf(g.Volume, 0) {
		return fmt.Errorf("gas space is %g cm3: it must be above 0", g.Volume)
	}
	if err := g.Wall.Check(); err != nil {
		return err
	}
	if err := g.Absorber.Check(); err != nil {
		return err
	}
	if err := amount("oxygen uptake of the food in cm3 per kg and day", g.Uptake.Rate); err != nil {
		return err
	}
	if err := amount("mass of the food in kg", g.Uptake.Mass); err != nil {
		return err
	}
	if err := kinetics.CheckEa(g.Uptake.Ea); err != nil {
		return fmt.Errorf("oxygen uptake of the food: %w", err)
	}
	return nil
}

// Packed is the state at packing under air with a fresh absorber.
func (g Gas) Packed() GasState { return GasState{Oxygen: AirOxygen, Left: g.Absorber.Rated} }

// longest is the longest step in days, so that none is infinite: longer than
// the world is old.
const longest = 1e18

// course is dx/dt = feed - drain x under constant surroundings, with the parts
// of the drain, per day.
type course struct {
	volume, outside        float64
	through, absorb, eaten float64
}

func (g Gas) course(c Surroundings) course {
	return course{
		volume:  g.Volume,
		outside: c.Outside,
		through: float64(g.Wall.OxygenAt(c.Core)) / g.Volume,
		absorb:  g.Absorber.perDay(c.Core),
		eaten: g.Uptake.Rate * g.Uptake.Mass / (AirOxygen * g.Volume) *
			kinetics.AccelerationFactor(g.Uptake.Ea, c.Core, WallReference),
	}
}

// spent is the course without the absorber.
func (k course) spent() course { k.absorb = 0; return k }

func (k course) drain() float64 { return k.through + k.absorb + k.eaten }

// rest is where oxygen settles; where nothing moves it stays at x.
func (k course) rest(x float64) float64 {
	if b := k.drain(); b > 0 {
		return k.through * k.outside / b
	}
	return x
}

// after is the oxygen t days after it was x, and its integral over them.
func (k course) after(x, t float64) (end, integral float64) {
	b := k.drain()
	if !(b > 0) {
		return x, x * t
	}
	rest := k.rest(x)
	fall := -math.Expm1(-b * t) // 1 - exp(-b t)
	end = x + float64((rest-x)*fall)
	return end, float64(rest*t) + float64((x-rest)*(fall/b))
}

// absorbed is what the absorber has taken up t days after oxygen was x, cm3.
func (k course) absorbed(x, t float64) float64 {
	_, integral := k.after(x, t)
	return float64(k.absorb * k.volume * integral)
}

// until is when the absorber has taken up left cm3, starting from oxygen x;
// infinite when it never does.
func (k course) until(x, left float64) float64 {
	rate := k.absorb * k.volume
	if !(rate > 0) {
		return math.Inf(1)
	}
	b, rest := k.drain(), k.rest(x)
	low, high := 0.0, 0.0
	switch once := float64(rate * (x - rest) / b); { // taken up of what is inside now, in the long run
	case left < once*0.999:
		high = 700 / b
	case rest <= 0:
		return math.Inf(1)
	default: // what comes in must do it: at least rate (rest t - rest/b)
		high = left/(rate*rest) + 1/b
	}
	if math.IsInf(high, 0) {
		return high
	}
	// The amount rises with time: Newton kept in a shrinking bracket.
	t := min(left/(rate*max(x, rest)), high)
	for range 100 {
		end, _ := k.after(x, t)
		over := k.absorbed(x, t) - left
		if over > 0 {
			high = t
		} else {
			low = t
		}
		next := t - over/(rate*end)
		if !(next >= low && next <= high) {
			next = low + (high-low)/2
		}
		if math.Abs(next-t) <= 1e-14*t {
			return next
		}
		t = next
	}
	return t
}

// usable is the part of what is left that the humidity lets the absorber use.
func (g Gas) usable(s GasState, aw float64) float64 {
	return max(s.Left-float64(g.Absorber.Rated*(1-g.Absorber.Usable(aw))), 0)
}

// Step follows the gas space for dt days under constant surroundings. It is
// the exact solution, at any dt, the absorber's end within the step included.
// g must pass Check; a dt of 0 or less changes nothing, and one without end
// counts as longest.
func (g Gas) Step(s GasState, c Surroundings, dt unit.Days) (GasState, GasFlow) {
	t := min(float64(dt), longest)
	if !(t > 0) {
		return s, GasFlow{Mean: s.Oxygen}
	}
	whole, sum := t, 0.0
	k := g.course(c)
	var flow GasFlow
	if left := g.usable(s, c.Activity); left > 0 && k.absorb > 0 {
		working, ends := t, k.absorbed(s.Oxygen, t) >= left
		if ends {
			working = min(k.until(s.Oxygen, left), t)
		}
		x, in := k.after(s.Oxygen, working)
		sum += in
		flow = k.flow(in, working)
		if flow.Absorbed = min(max(flow.Absorbed, 0), left); ends {
			flow.Absorbed = left // to the last digit
		}
		s = GasState{Oxygen: max(x, 0), Left: s.Left - flow.Absorbed}
		t -= working
	}
	if t > 0 {
		k = k.spent()
		x, in := k.after(s.Oxygen, t)
		sum += in
		rest := k.flow(in, t)
		flow.In, flow.Eaten = flow.In+rest.In, flow.Eaten+rest.Eaten
		s.Oxygen = max(x, 0)
	}
	flow.Mean = min(1, max(0, sum/whole))
	return s, flow
}

// flow is what moved in t days over which oxygen had the given integral.
func (k course) flow(integral, t float64) GasFlow {
	return GasFlow{
		In:       float64(k.through * k.volume * (float64(k.outside*t) - integral)),
		Absorbed: float64(k.absorb * k.volume * integral),
		Eaten:    float64(k.eaten * k.volume * integral),
	}
}

// Spent is how long the absorber lasts under constant surroundings; false
// when it outlasts all that can come.
func (g Gas) Spent(s GasState, c Surroundings) (unit.Days, bool) {
	left := g.usable(s, c.Activity)
	if left <= 0 {
		return 0, true
	}
	t := g.course(c).until(s.Oxygen, left)
	return unit.Days(t), !math.IsInf(t, 0)
}

// Passes is when oxygen passes level (atm) for good under constant
// surroundings: after that it stays above. It is 0 when it is above already
// and will not fall below, and false when it ends at or below the level.
func (g Gas) Passes(level float64, s GasState, c Surroundings) (unit.Days, bool) {
	k := g.course(c)
	spent, ends := g.Spent(s, c)
	if !ends { // the absorber works for ever
		return k.crossing(s.Oxygen, level)
	}
	x, _ := k.after(s.Oxygen, float64(spent))
	after := k.spent()
	if spent == 0 {
		return after.crossing(s.Oxygen, level)
	}
	t, ok := after.crossing(x, level)
	switch {
	case ok && t == 0 && s.Oxygen > level: // above all the way
		return 0, true
	case ok && t == 0: // passed while the absorber still worked
		return k.crossing(s.Oxygen, level)
	}
	return t + spent, ok
}

// crossing is when oxygen, from x on its way to rest, passes level for good.
func (k course) crossing(x, level float64) (unit.Days, bool) {
	rest := k.rest(x)
	switch {
	case !(rest > level): // also where the way ends at the level itself
		return 0, false
	case x > level:
		return 0, true
	}
	return unit.Days(math.Log((rest-x)/(rest-level)) / k.drain()), true
}
