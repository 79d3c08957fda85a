package review

// Loss is what one mode of a lot has lost beyond plan storage since packing.
type Loss struct {
	Mode string  `json:"mode"`
	Days float64 `json:"days"` // of life at plan storage; below 0 where it gained
}

// Losses tells an account by mode, in days as Review.InDays gives them of the
// mode that Review tells of. The difference of two of one lot is the cost of
// the time between them.
func (a Account) Losses() []Loss {
	out := make([]Loss, 0, len(a.modes))
	for k, m := range a.modes {
		var c Cost
		for i := k; i < len(a.costs); i += len(a.modes) {
			c = c.Add(a.costs[i])
		}
		out = append(out, Loss{m.name, c.Times(m.life).Lost.Sum()})
	}
	return out
}
