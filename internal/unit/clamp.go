package unit

// Clamp brings a finite value into the plausible range of its quantity.
func (q Quantity) Clamp(v float64) float64 {
	s, _ := q.spec()
	return min(max(v, s.low), s.high)
}
