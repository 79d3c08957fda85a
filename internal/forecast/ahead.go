package forecast

import (
	"math"
	"slices"
	"sort"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/unit"
)

const (
	// Pieces of a day for a month, of a week for a year, of a month for thirty
	// years: the near is told day by day, the far stays cheap.
	nearDays, nearYear = 30, 366
	monthDays          = 30
	// Years is how far the members go. Beyond, the last ten years go on.
	Years = 30
)

// Ahead is the climate ahead of one room from one instant: pieces, and the
// thermal exposure for any activation energy and core lag.
type Ahead struct {
	at     time.Time
	offset float64 // share of the first day that is over
	edges  []float64
	pieces []Piece
	grid   grid
}

// Ahead simulates the members from an instant on, which should not lie before
// the end of the history.
func (m *Model) Ahead(at time.Time) *Ahead { return m.Held(at, Hold{}) }

// Held is Ahead of a room whose air is bounded. The members are those of Ahead,
// so that bounds which none of them reaches change not a digit.
func (m *Model) Held(at time.Time, h Hold) *Ahead {
	day, share := dayOf(at)
	edges := edgesAhead()
	a := &Ahead{at: at.UTC(), offset: share}
	n := m.options.Members
	sums := make([]sum, len(edges)*n)
	var free []sum
	if h != (Hold{}) {
		free = make([]sum, len(sums))
	}
	piece := pieceOf(edges)
	m.ahead(day, edges[len(edges)-1], func(member, d int, o outcome) {
		at := int(piece[d])*n + member
		sums[at].add(h.bound(o))
		if free != nil {
			free[at].add(o)
		}
	})
	start := 0
	for p, end := range edges {
		a.edges = append(a.edges, float64(end))
		row := sums[p*n : (p+1)*n]
		for i := range row {
			row[i].finish()
		}
		a.pieces = append(a.pieces, summary(row, time.Unix(int64(day+start)*86400, 0).UTC(), end-start))
		start = end
	}
	a.grid = newGrid(edges, sums, n)
	if free != nil {
		for i := range free {
			free[i].finish()
		}
		a.grid.within(newGrid(edges, free, n))
	}
	return a
}

// edgesAhead are the ends of the pieces, days.
func edgesAhead() []int {
	var edges []int
	for d := 1; d <= nearDays; d++ {
		edges = append(edges, d)
	}
	for d := nearDays + 7; d <= nearYear; d += 7 {
		edges = append(edges, d)
	}
	for d := nearYear + monthDays; d < Years*366+monthDays; d += monthDays {
		edges = append(edges, d)
	}
	return edges
}

func pieceOf(edges []int) []int32 {
	of := make([]int32, edges[len(edges)-1])
	p := int32(0)
	for d := range of {
		if d >= edges[p] {
			p++
		}
		of[d] = p
	}
	return of
}

// sum gathers the days of a piece in one member; after finish it holds their
// mean, variance, mean square of the swing and mean vapour.
type sum struct{ n, temp, spread, swing, vapour float64 }

func (s *sum) add(o outcome) {
	s.n++
	s.temp += o.temp
	s.spread += float64(o.temp * o.temp)
	s.swing += float64(o.swing * o.swing)
	s.vapour += o.vapour
}

func (s *sum) finish() {
	s.temp /= s.n
	s.spread = max(0, s.spread/s.n-float64(s.temp*s.temp))
	s.swing /= s.n
	// More vapour than the air holds is dew.
	most := float64(climate.VapourPressure(unit.Celsius(min(90, max(-90, s.temp))), 1))
	s.vapour = min(s.vapour/s.n, most)
}

func summary(row []sum, from time.Time, days int) Piece {
	n := float64(len(row))
	temps, vapours := make([]float64, len(row)), make([]float64, len(row))
	p := Piece{From: from, Days: days}
	for i, s := range row {
		temps[i], vapours[i] = s.temp, s.vapour
		p.Mean += unit.Celsius(s.temp / n)
		p.Vapour += unit.Pascal(s.vapour / n)
		p.Swing += math.Sqrt(s.swing) / n
		p.Spread += math.Sqrt(s.spread) / n
	}
	low, high := tenths(temps)
	p.Low, p.High = unit.Celsius(min(low, float64(p.Mean))), unit.Celsius(max(high, float64(p.Mean)))
	low, high = tenths(vapours)
	p.VapourLow, p.VapourHigh = unit.Pascal(min(low, float64(p.Vapour))), unit.Pascal(max(high, float64(p.Vapour)))
	return p
}

// tenths sorts the values and gives their 10 and 90 % quantiles.
func tenths(vs []float64) (low, high float64) {
	slices.Sort(vs)
	return quantile(vs, 0.1), quantile(vs, 0.9)
}

// quantile of sorted values at the plotting position p (n+1) (Weibull), which
// makes a new value from the same source fall below it with chance p.
func quantile(vs []float64, p float64) float64 {
	x := p*float64(len(vs)+1) - 1
	i := int(math.Floor(x))
	switch {
	case len(vs) == 0:
		return math.NaN()
	case i < 0:
		return vs[0]
	case i >= len(vs)-1:
		return vs[len(vs)-1]
	}
	return vs[i] + float64((x-float64(i))*(vs[i+1]-vs[i]))
}

// Pieces are the stretches of the climate ahead in order, the first from the
// start of the UTC day of the instant. The slice is the caller's to read only.
func (a *Ahead) Pieces() []Piece { return a.pieces }

// At is the instant it looks ahead from.
func (a *Ahead) At() time.Time { return a.at }

// Mean is the likely mean temperature and vapour pressure between two instants
// so many days after At; to must lie after from. Beyond the last piece the
// last ten years go on.
func (a *Ahead) Mean(from, to float64) (t unit.Celsius, vapour unit.Pascal) {
	from, to = max(0, from)+a.offset, max(0, to)+a.offset
	end := a.edges[len(a.edges)-1]
	if to > end {
		shift := math.Ceil((to-end)/(10*year)) * 10 * year
		from, to = max(0, from-shift), to-shift
	}
	i := sort.SearchFloat64s(a.edges, from)
	begin, total := from, 0.0
	var sumT, sumV float64
	for ; i < len(a.edges); i++ {
		stop := min(to, a.edges[i])
		if w := stop - begin; w > 0 {
			sumT += w * float64(a.pieces[i].Mean)
			sumV += w * float64(a.pieces[i].Vapour)
			total += w
		}
		if begin = stop; begin >= to {
			break
		}
	}
	if total <= 0 {
		p := a.pieces[min(i, len(a.pieces)-1)]
		return p.Mean, p.Vapour
	}
	return unit.Celsius(sumT / total), unit.Pascal(sumV / total)
}
