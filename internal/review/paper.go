package review

// Paper is a cost on paper: what was lost beyond plan storage, in kilograms,
// times what a kilogram of it was bought for, in the keeper's own currency. A
// lot whose price is not told is counted and not in the sum: it is not free.
type Paper struct {
	Lost     float64 `json:"lost"`               // below 0 where it gained
	Priced   int     `json:"lots_with_price"`    // that are in it
	Unpriced int     `json:"lots_without_price"` // that are not
}

// OnPaper is a cost of the lot on paper; known is false where its price is not
// told.
func (r *Review) OnPaper(c Cost) (lost float64, known bool) {
	return r.InKG(c).Lost.Sum() * r.PricePerKG, r.PricePerKG > 0
}

func (p *Paper) add(r *Review, c *Cost) {
	lost, known := r.OnPaper(*c)
	if !known {
		p.Unpriced++
		return
	}
	p.Lost += lost
	p.Priced++
}
