package room

import "slices"

// rows is a growing list of rows of one width. It lies in pieces: as one slice
// it would have to be copied, as large as it is, to grow, and be a quarter larger
// than it need be.
type rows struct {
	width  int
	n      int
	pieces [][]float64
}

// rowsAtOnce is how many rows a piece has: a month of hours.
const rowsAtOnce = 32 * 24

func (r *rows) add(row []float64) {
	r.width = len(row)
	if r.n%rowsAtOnce == 0 {
		most := 0
		if r.n > 0 { // the first grows with what there is: most ledgers of a test hold days
			most = rowsAtOnce * r.width
		}
		r.pieces = append(r.pieces, make([]float64, 0, most))
	}
	last := len(r.pieces) - 1
	r.pieces[last] = append(r.pieces[last], row...)
	r.n++
}

// at is a row; do not keep or change it.
func (r *rows) at(i int) []float64 {
	from := i % rowsAtOnce * r.width
	return r.pieces[i/rowsAtOnce][from : from+r.width]
}

// truncate forgets the rows from i on.
func (r *rows) truncate(i int) {
	if i >= r.n {
		return
	}
	r.n = i
	whole, left := i/rowsAtOnce, i%rowsAtOnce
	if left > 0 {
		r.pieces[whole] = r.pieces[whole][:left*r.width]
		whole++
	}
	r.pieces = slices.Delete(r.pieces, whole, len(r.pieces))
}
