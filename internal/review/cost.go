package review

// Parts is life lost beyond plan storage by its cause, as shares of the whole
// life or in another unit of it; negative where a cause has gained life.
type Parts struct {
	Heat     float64 `json:"heat"`
	Moisture float64 `json:"moisture"`
	Oxygen   float64 `json:"oxygen"`
	Light    float64 `json:"light"`
}

// Sum is the life lost by all causes.
func (p Parts) Sum() float64 { return p.Heat + p.Moisture + p.Oxygen + p.Light }

// Add joins the losses of two stretches of time.
func (p Parts) Add(o Parts) Parts {
	return Parts{p.Heat + o.Heat, p.Moisture + o.Moisture, p.Oxygen + o.Oxygen, p.Light + o.Light}
}

// Times is the same in another unit.
func (p Parts) Times(k float64) Parts {
	return Parts{k * p.Heat, k * p.Moisture, k * p.Oxygen, k * p.Light}
}

// Cost is what a stretch of time has consumed of a life.
type Cost struct {
	// Plain is what plan storage would have consumed.
	Plain float64 `json:"plain"`
	// Lost is what went beyond it.
	Lost Parts `json:"lost"`
	// Less and More are how much the loss may be smaller or larger because
	// temperatures were estimated or are not known; 0 or more.
	Less float64 `json:"less"`
	More float64 `json:"more"`
}

// Consumed is all that was consumed.
func (c Cost) Consumed() float64 { return c.Plain + c.Lost.Sum() }

// Add joins the costs of two stretches of time.
func (c Cost) Add(o Cost) Cost {
	return Cost{c.Plain + o.Plain, c.Lost.Add(o.Lost), c.Less + o.Less, c.More + o.More}
}

// Times is the same in another unit.
func (c Cost) Times(k float64) Cost {
	return Cost{k * c.Plain, c.Lost.Times(k), k * c.Less, k * c.More}
}

// rate is what a mode consumes: exposure times two factors.
type rate struct{ exposure, water, oxygen float64 }

func (r rate) all() float64 { return r.exposure * r.water * r.oxygen }

// share splits what a rate consumes beyond another by the rule of Shapley.
func share(now, plan rate) Parts {
	return Parts{
		Heat:     (now.exposure - plan.exposure) * mean(now.water, now.oxygen, plan.water, plan.oxygen),
		Moisture: (now.water - plan.water) * mean(now.exposure, now.oxygen, plan.exposure, plan.oxygen),
		Oxygen:   (now.oxygen - plan.oxygen) * mean(now.exposure, now.water, plan.exposure, plan.water),
	}
}

// mean is that of the product of the two other factors over the orders in which
// three can come: both are still as planned in two of six, one of them in two,
// none in two.
func mean(a, b, a0, b0 float64) float64 {
	return float64(a*b)/3 + float64(a*b0+a0*b)/6 + float64(a0*b0)/3
}
