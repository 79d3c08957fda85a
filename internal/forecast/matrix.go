package forecast

import "math"

// square is a symmetric matrix of n by n, by rows.
type square struct {
	n int
	a []float64
}

func newSquare(n int) square { return square{n, make([]float64, n*n)} }

func (m square) at(i, j int) *float64 { return &m.a[i*m.n+j] }

// factor is the lower Cholesky factor. A pivot that rounding has made
// negative is held above 0: with priors on every unknown no matrix here is
// singular.
func (m square) factor() square {
	l := newSquare(m.n)
	for i := range m.n {
		for j := 0; j <= i; j++ {
			s := *m.at(i, j)
			for k := range j {
				s -= float64(*l.at(i, k) * *l.at(j, k))
			}
			if i == j {
				*l.at(i, i) = math.Sqrt(max(s, 1e-12*math.Abs(*m.at(i, i)), 1e-300))
			} else {
				*l.at(i, j) = s / *l.at(j, j)
			}
		}
	}
	return l
}

// solve gives x with l l' x = b.
func (l square) solve(b []float64) []float64 {
	x := append([]float64(nil), b...)
	for i := range l.n {
		for k := range i {
			x[i] -= float64(*l.at(i, k) * x[k])
		}
		x[i] /= *l.at(i, i)
	}
	for i := l.n - 1; i >= 0; i-- {
		for k := i + 1; k < l.n; k++ {
			x[i] -= float64(*l.at(k, i) * x[k])
		}
		x[i] /= *l.at(i, i)
	}
	return x
}

// inverse is that of l l'.
func (l square) inverse() square {
	inv, unit := newSquare(l.n), make([]float64, l.n)
	for j := range l.n {
		unit[j] = 1
		for i, v := range l.solve(unit) {
			*inv.at(i, j) = v
		}
		unit[j] = 0
	}
	return inv
}
