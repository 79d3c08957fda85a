package packing

import (
	"math"
	"slices"
	"strings"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/kinetics"
	"dryhold/internal/unit"
)

// Oxygen is what the absorber of one full container has to do.
type Oxygen struct {
	Gas      Band `json:"gas_cm3"`
	Enclosed Band `json:"enclosed_oxygen_cm3"`
	// PerYear is the oxygen that comes in through wall and closure in good
	// order while there is none inside.
	PerYear Band    `json:"ingress_cm3_per_year"`
	Years   float64 `json:"years"`
	// AtPacking is the capacity that clears what is enclosed, Need the one that
	// also takes up what comes in over Years; both with the margin.
	AtPacking Band `json:"needed_at_packing_cm3"`
	Need      Band `json:"needed_cm3"`
	// Single is the smallest packet that alone is enough, 0 where none is;
	// Smallest the packets of least capacity together, and the fewest of them.
	Single   float64   `json:"single_packet_cm3,omitempty"`
	Smallest []Packets `json:"smallest_packets"`
	// Lasts is how long each size of packet alone keeps the oxygen away.
	Lasts []Lasting `json:"lasts"`
	// OpenMinutes is how long packets may lie open before the margin is used
	// up, by the mean published rate and by the fastest.
	OpenMinutes Band `json:"open_minutes"`
	// HoursToLow is how long a packet takes to bring the oxygen under 1 % in a
	// closed container at the temperature of the request, likely and slow.
	HoursToLow Band `json:"hours_to_one_percent"`
}

// Packets are so many of one size.
type Packets struct {
	CM3   float64 `json:"cm3"`
	Count int     `json:"count"`
}

// Lasting is how long a capacity keeps the oxygen away, years: 0 where it is
// too small for what is enclosed, the horizon of 100 years where for good.
type Lasting struct {
	CM3   float64 `json:"cm3"`
	Years Band    `json:"years"`
	// Rests is the oxygen fraction that a capacity too small leaves, else 0.
	Rests float64 `json:"rests_at_fraction,omitempty"`
}

// Sizes lists the packets that are sold, cm3 (models 5.5, from memory).
func Sizes() []float64 { return []float64{100, 300, 500, 1000, 2000} }

// largestNeed is the most capacity that is looked for in one container, cm3:
// that of a lot.
const largestNeed = 20_000

// Smallest is the least capacity of packets of the sizes, whole cm3 from 10 up,
// that is enough, and the fewest of them; nil where the need is above 20000 cm3.
func Smallest(need float64, sizes []float64) []Packets {
	if !(need > 0 && need <= largestNeed) {
		return nil
	}
	from := int(math.Ceil(need - 1e-9))
	most := from
	for _, s := range sizes {
		most = max(most, from+int(s))
	}
	fewest := make([]int, most+1) // packets that make each total, 0 for none
	last := make([]int, most+1)   // the size taken last
	for total := 1; total <= most; total++ {
		for _, s := range sizes {
			rest := total - int(s)
			if rest < 0 || rest > 0 && fewest[rest] == 0 {
				continue
			}
			if n := fewest[rest] + 1; fewest[total] == 0 || n < fewest[total] {
				fewest[total], last[total] = n, int(s)
			}
		}
		if total >= from && fewest[total] > 0 {
			return taken(total, last)
		}
	}
	return nil
}

// taken reads the packets of a total, largest first.
func taken(total int, last []int) (out []Packets) {
	for ; total > 0; total -= last[total] {
		s := float64(last[total])
		if i := slices.IndexFunc(out, func(p Packets) bool { return p.CM3 == s }); i >= 0 {
			out[i].Count++
		} else {
			out = append(out, Packets{s, 1})
		}
	}
	slices.SortFunc(out, func(a, b Packets) int { return int(b.CM3 - a.CM3) })
	return out
}

// Capacity of packets together, cm3.
func Capacity(packets []Packets) (sum float64) {
	for _, p := range packets {
		sum += p.CM3 * float64(p.Count)
	}
	return sum
}

func packetWords(packets []Packets) string {
	var parts []string
	for _, p := range packets {
		parts = append(parts, plural(p.Count, "packet", "packets")+" of "+exact(p.CM3)+" cm3")
	}
	return strings.Join(parts, " and ")
}

// walls are wall and closure at their tight, likely and loose edge.
func walls(k catalog.Container) [3]barrier.Wall {
	pick := func(i int, b catalog.Band) float64 { return [3]float64{b.Low, b.Likely, b.High}[i] }
	var out [3]barrier.Wall
	for i := range out {
		out[i] = barrier.Wall{
			Oxygen: barrier.OxygenConductance(pick(i, k.OxygenWall)), OxygenEa: unit.KJPerMol(k.WallEa.Likely),
			Closure: barrier.Leak{Oxygen: barrier.OxygenConductance(pick(i, k.OxygenClosure))},
		}
	}
	return out
}

// oxygen works out the absorber.
func (a *adviser) oxygen() error {
	if !a.lowOxygen() || a.food.NoAbsorber != "" {
		return nil
	}
	if !a.container.Sealed {
		a.say(Told, judgement, "None: a %s does not hold low oxygen.", lower(a.container.Name))
		a.end(titleOxygen)
		return nil
	}
	o := &Oxygen{Years: a.req.Years, Gas: a.gas(), Lasts: []Lasting{}}
	w := walls(a.container)
	in := func(i int) float64 { return float64(w[i].OxygenAt(a.req.At)) * barrier.AirOxygen * year }
	o.PerYear = Band{in(0), in(1), in(2)}
	each := func(f func(gas, perYear float64) float64) Band {
		return Band{f(o.Gas.Low, o.PerYear.Low), f(o.Gas.Likely, o.PerYear.Likely), f(o.Gas.High, o.PerYear.High)}
	}
	o.Enclosed = each(func(gas, _ float64) float64 { return barrier.EnclosedOxygen(gas) })
	o.AtPacking = each(func(gas, _ float64) float64 { return barrier.Margin * barrier.EnclosedOxygen(gas) })
	o.Need = each(func(gas, y float64) float64 {
		return barrier.Margin * (barrier.EnclosedOxygen(gas) + float64(y*o.Years))
	})
	o.Smallest = Smallest(o.Need.Likely, Sizes())
	for _, s := range Sizes() {
		if s >= o.Need.Likely && o.Single == 0 {
			o.Single = s
		}
		o.Lasts = append(o.Lasts, a.lasts(s, o, w))
	}
	o.timing(a.req.At)
	a.out.Oxygen = o
	a.oxygenWords(o)
	a.end(titleOxygen)
	return nil
}

// lasts follows one capacity from packing until it is spent.
func (a *adviser) lasts(capacity float64, o *Oxygen, w [3]barrier.Wall) Lasting {
	l := Lasting{CM3: capacity}
	years := func(gas float64, wall barrier.Wall) float64 {
		if capacity <= barrier.EnclosedOxygen(gas) {
			return 0
		}
		g := barrier.Gas{Volume: gas, Wall: wall, Absorber: barrier.NewAbsorber(barrier.SelfActivated, capacity)}
		d, ends := g.Spent(g.Packed(), barrier.Surroundings{Core: a.req.At, Outside: barrier.AirOxygen})
		if !ends {
			return beyond / year
		}
		return min(float64(d)/year, beyond/year)
	}
	// The loose wall goes with the most gas: what is worst together.
	l.Years = Band{years(o.Gas.High, w[2]), years(o.Gas.Likely, w[1]), years(o.Gas.Low, w[0])}
	if capacity <= o.Enclosed.Likely {
		l.Rests = barrier.AirOxygen * (1 - capacity/o.Enclosed.Likely)
	}
	return l
}

// fastRate is a half-life of 1.0 h at 25 °C in air (Tewari et al. 2002), the
// fastest published, per hour.
const fastRate = math.Ln2

// timing works out how long packets may lie open and how soon they have worked.
// In open air the oxygen stays that of air, so that a packet made for its gas
// space loses its capacity in proportion to time.
func (o *Oxygen) timing(at unit.Celsius) {
	spare := barrier.Margin - 1
	minutes := func(rate float64) float64 { return 60 * spare / rate }
	o.OpenMinutes = Band{minutes(fastRate), minutes(barrier.SelfActivatedRate), minutes(barrier.SelfActivatedRate)}
	af := kinetics.AccelerationFactor(barrier.AbsorberEa, at, barrier.AbsorberReference)
	hours := func(rate float64) float64 { return math.Log(barrier.AirOxygen/0.01) / (rate * af) }
	// Packets of one kind differ by up to a factor of two (models 5.5).
	o.HoursToLow = Band{hours(fastRate), hours(barrier.SelfActivatedRate), hours(barrier.SelfActivatedRate / 2)}
}

func span(b Band) string { return whole(b.Low) + " to " + whole(b.High) }

func (a *adviser) oxygenWords(o *Oxygen) {
	formula := "computed: V (h + (1-h) e) × 0.209 with 5 % headspace (judgement); void: " + a.food.Void.Source
	a.say(Told, formula, "One full container holds %s of gas, %s of it oxygen (%s).", cm3(o.Gas.Likely), cm3(o.Enclosed.Likely), span(o.Enclosed))
	walled := strings.ReplaceAll(a.container.OxygenWall.Source, "as stated above", "as the head of containers.yaml states")
	a.say(Told, "wall: "+walled+"; closure: "+a.container.OxygenClosure.Source,
		"Through wall and closure in good order about %s come in a year at %s °C (%s).", cm3(o.PerYear.Likely), figures(float64(a.req.At), 3), span(o.PerYear))
	a.say(Told, "computed, margin of 20 % by judgement", "Needed: %s to clear it at packing, %s to hold it for %s years as well (%s), margin included.",
		cm3(o.AtPacking.Likely), cm3(o.Need.Likely), exact(o.Years), span(o.Need))
	switch {
	case o.Smallest == nil:
		a.say(Amber, computed, "No absorber holds this container for %s years: take one with foil, steel or glass, or plan for fewer years.", exact(o.Years))
	default:
		text := "Enough with least capacity: " + packetWords(o.Smallest)
		if o.Single > 0 && (len(o.Smallest) > 1 || o.Smallest[0].Count > 1) {
			text += "; as a single packet " + exact(o.Single) + " cm3"
		}
		a.say(Told, "sizes from memory", "%s in each container.", text)
	}
	var lasts []string
	for _, l := range o.Lasts {
		lasts = append(lasts, l.words())
	}
	a.say(Told, computed, "A packet alone holds the oxygen away for: %s.", strings.Join(lasts, "; "))
	a.say(Told, practice+"; computed from the rates of Int. J. Food Sci. Technol. 2013, 10.1111/ijfs.12100, and Tewari et al. 2002",
		"Once their pouch is open use packets within 15 to 30 minutes, and close the rest away at once. By the published rates the margin of 20 %% is used up after %s minutes in open air (fast packets) or %s (mean).",
		whole(o.OpenMinutes.Low), whole(o.OpenMinutes.Likely))
	a.say(Told, "the same rates; packets differ twofold", "In the closed container the oxygen is under 1 %% after about %s hours at %s °C, %s with slow packets. A soft bottle then buckles in: a free sign that its seal holds.",
		whole(o.HoursToLow.Likely), figures(float64(a.req.At), 3), whole(o.HoursToLow.High))
	a.say(Told, "Int. J. Food Sci. Technol. 2013, 10.1111/ijfs.12100", "Take the self-activated kind. One that draws its water from the food delivers a small part of its rating in dry food.")
	if through := o.Need.Likely - o.AtPacking.Likely; through > slices.Max(Sizes()) {
		a.say(Amber, computed, "Of that, %s are for what comes in over the years, more than the largest packet: this container does not hold low oxygen for long. A foil liner does.", cm3(through))
	}
}

func (l Lasting) words() string {
	text := exact(l.CM3) + " cm3 "
	switch {
	case l.Rests > 0:
		return text + "never, too small, it rests at about " + percent(l.Rests)
	case l.Years.Low >= beyond/year:
		return text + "more than 100 years"
	}
	low := lasting(l.Years.Low * year)
	if l.Years.Low == 0 {
		low = "never"
	}
	return text + about(l.Years.Likely*year) + " (" + low + " to " + lasting(l.Years.High*year) + ")"
}
