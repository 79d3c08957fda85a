// Package forecast looks ahead at the climate of a room: from its own history,
// from normals that the keeper states, and from the air outdoors.
//
// # What a room is made of
//
// The daily mean temperature is a level with a trend, two harmonics of the day
// of the year, a slow departure that lasts about a year, and weather. All but
// the weather are estimated together by least squares with priors (ridge;
// Lindley & Smith 1972), the errors of neighbouring days correlated
// (Cochrane & Orcutt 1949; Prais & Winsten 1954), so that three days count as
// little as they are worth and ten years as much. The priors are the keeper's
// normals, else the relation to the air outdoors, else plan storage with a wide
// band. The daily swing and the humidity are treated in the same way. The
// trend is held near 0 by its prior, bounded, and goes on for no more than a
// decade's worth.
//
// # Members
//
// A member is one future: constants drawn from their posterior, a slow
// departure that forgets within a year (Ornstein-Uhlenbeck), and weather
// resampled from the room's own departures in blocks of random length (the
// stationary bootstrap, Politis & Romano 1994), from the same season, the
// temperature, swing and humidity of a day together. It starts at the present
// departure, which decays as fitted. Where a season was never seen, weather is
// drawn from the fitted autoregression instead. Random numbers depend on the
// seed alone: the same for all rooms and all what-ifs, and at every run.
//
// # Joining it with a lot's constants
//
// A lot has ended by a day when the exposure up to that day has used up its
// life; no other day matters. So a draw of a lot's constants needs one standard
// normal number z, kept for all days: what it ages from now on to a day ahead is
// that of the likely future times exp(z LnSpread(day)). The ends of the draws
// then spread as those of all members with all draws would (a test compares).
// The same z serves all modes of a draw; give all lots of a house the same
// column of z, since one summer is hot for all.
//
// # What it is not
//
// It knows the past of the room, not the weather service's mind: give an
// outdoor forecast to Response.Predict for that. It does not know a furnace
// that will fail. Constants without a source are marked as judgement.
package forecast
