package review

// Life is what the mode that has consumed most had at packing, days at plan
// storage, as Review tells it; 0 where no mode can end the lot.
func (a Account) Life() float64 {
	if i := a.limiting(); i >= 0 {
		return a.modes[i].life
	}
	return 0
}
