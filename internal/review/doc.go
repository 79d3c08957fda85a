// Package review looks back at what the rooms have cost each lot, says what
// another way of keeping would gain, what to eat first, and how long the store
// lasts.
//
// # Cost and its causes
//
// A lot is held against itself at plan storage: the same packing, boxed from
// light, its seal as it was assumed, in a room that is always at the warm limit
// and at the damp limit of the room it was packed into. Both are followed by
// package course, step by step. What the lot has consumed of its life is
//
//	consumed = plain + heat + moisture + oxygen + light
//
// where plain is what plan storage consumes in the time that is judged. In each
// piece of time a mode consumes x·w·o of its life: exposure, the factor of water
// activity and the factor of the oxygen inside; at plan storage x₀·w₀·o₀. The
// difference is a product, so its causes interact, and it is shared out by the
// value of Shapley (1953): each cause gets the mean of what it adds over all
// orders in which the three could have come. For three factors
//
//	heat = (x-x₀)·(w·o/3 + (w·o₀ + w₀·o)/6 + w₀·o₀/3)
//
// and in the same way for moisture and oxygen; they add up to the difference
// exactly, none comes before another, and for small differences it is what each
// would do alone. Ang, Huang & Mu (2009), Properties and linkages of some index
// decomposition analysis methods (Energy Policy; abstract read), tie the value
// to the other rules. The logarithmic mean Divisia index of Ang (2004, Energy
// Policy 32:1131-1139) is as exact, but needs a rule for zeros (Ang & Liu 2007,
// Energy Policy 35:238-246) and, in a stretch that is part hot and part cool,
// divides by what cancels; the Shapley parts are linear in exposure, so that a
// step can be cut at the hour an excursion begins without changing their sum.
// Light comes on top of the product and is a part of its own.
//
// The causes are those at the food: oxygen that came in because warmth opened
// the wall is booked to oxygen. Parts can be negative: a cool winter gains.
// What is told is that of the mode that has consumed most of its life now; if
// another takes its place, the whole past is told of that one.
//
// Every piece of time belongs to one event: an excursion or a gap of its room,
// or what the keeper noted there, or else to the stay that began with packing or
// with a move. A move costs what the other room does beyond plan storage, its
// excursions and gaps apart. Unknown time counts at the plan storage of the room
// the lot stood in then, as it does in package course.
//
// Tests by the keeper say how far a lot has come, not by what: Account.Corrected
// lays what they have made of the model on all its costs in proportion, so that
// the parts sum to what the lot's view says is consumed.
//
// Shares of life are told in days by the life that the mode would have had at
// plan storage from packing on, and in kilograms by the mass of the lot
// (judgement): ten kilograms that lost a tenth of their life count as one.
//
// Pure: rooms, spells and instants come in as arguments. It is about quality,
// never about safety.
package review
