// Package course follows a lot through the years: the water and the oxygen
// inside its containers, light, insects and seed, and how far each way of
// going bad has come, with bands that join the uncertainty of every constant.
//
// The lot is followed in steps of an hour for 60 days after packing and of a
// UTC day from then on (a quarter of one where the container is not sealed),
// cut where it was moved. Thermal exposure comes from
// the room's ledger, which integrates it exactly; only what is inside the
// container is stepped.
//
// Bands are 10 to 90 % of 200 sets of parameters, drawn once for each food by
// Latin hypercube from a fixed seed: the same for every lot of the food, so
// that two lots are compared under the same luck, and the same at every run.
// Not drawn are the activation energies of the wall and of the food's own
// oxygen uptake, and that uptake. No set is integrated again: the inside is
// followed on four tracks (tight and dry, likely, loose and damp, failed seal)
// and the exposure at three activation energies, and a set takes its place
// between them.
//
// Pure: the climate of the rooms and the instant come in as arguments. It is
// about quality, never about safety.
package course
