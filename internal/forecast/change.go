package forecast

import "math"

const (
	// mostSteps bounds the changes that are told apart (judgement), stepSize
	// is what one may come to, K (one standard deviation, judgement).
	mostSteps = 3
	stepSize  = 5.0
	// leastSide is how many days must be known on either side of a change,
	// sure what its statistic must reach (judgement; by chance it reaches 3.6
	// once in a hundred: Andrews 1993, Econometrica 61:821, sup-Wald with 5 %
	// trimmed, from memory).
	leastSide = 60
	sure      = 4.0
)

// change looks for the day on which the level most likely became another: a
// new boiler, a sensor on another shelf. It is where the sum of departures is
// farthest from 0 (Page 1955), relative to what weather and slow departures as
// believed beforehand make of such a sum by chance.
func (s *series) change(c *count, ys []float64) (at int, ok bool) {
	var days []int
	var sums []float64
	sum := 0.0
	for i, y := range ys {
		if y == y {
			d := y - s.at(c.wave[i])
			for k, step := range c.steps {
				if i < step {
					d -= s.before[k]
				}
			}
			sum += d
			days, sums = append(days, i), append(sums, sum)
		}
	}
	n := len(sums)
	if n < 2*leastSide {
		return 0, false
	}
	lasting := max(s.prior.year, s.prior.share*s.sd())
	chance := math.Hypot(s.news/(1-s.keep), lasting*math.Sqrt(2*year)) * math.Sqrt(float64(n))
	best := float64(sure)
	for i := leastSide; i < n-leastSide; i++ {
		share := float64(i) / float64(n)
		if x := math.Abs(sums[i-1]-sum*share) / (chance * math.Sqrt(share*(1-share))); x > best {
			best, at, ok = x, days[i], true
		}
	}
	return at, ok
}
