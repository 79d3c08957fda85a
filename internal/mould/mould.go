// Package mould judges the surfaces of a room: the mould index of Hukka and
// Viitanen 1999 with the material classes of Ojanen et al. 2010 (models section
// 7.1), and as a second opinion the isopleths of Zeng et al. 2023 (7.2).
//
// It is for shelves, cardboard and walls, NEVER for food: food is judged by
// its water activity. An index of 0 does not say that anything is fit to eat.
// The index was fitted to wood, and its parameters are held to be uncertain
// (Berger et al. 2018, arXiv 1804.02992): read it as an order, not a measure.
//
// Temperatures are those of the surface in °C (a cold wall is colder and so
// damper than the air before it), relative humidity is a fraction over liquid
// water.
package mould

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// Class is how readily a surface moulds.
type Class string

// The classes. Pine is the sapwood of the original model of 1999, whose rate
// above index 1 follows from the two times to germination and to visible
// growth; the others are those of 2010, with rates relative to it. Examples
// from memory, cardboard a judgement.
const (
	Pine            Class = "pine"
	VerySensitive   Class = "very-sensitive"   // pine sapwood
	Sensitive       Class = "sensitive"        // glued boards, paper-faced board, spruce; cardboard
	MediumResistant Class = "medium-resistant" // concrete, plaster, glass wool
	Resistant       Class = "resistant"        // polished plastic; metal, glass
)

// Classes lists the classes from the most to the least sensitive.
func Classes() []Class { return []Class{Pine, VerySensitive, Sensitive, MediumResistant, Resistant} }

// parameters of a class: rates relative to pine below and from index 1 on
// (0: by the two times), a, b, c of the greatest index, and the humidity below
// which nothing grows at any temperature, %.
type parameters struct {
	slow, fast float64
	a, b, c    float64
	least      float64
}

func (c Class) parameters() (parameters, error) {
	switch c {
	case Pine:
		return parameters{1, 0, 1, 7, 2, 80}, nil
	case VerySensitive:
		return parameters{1, 2, 1, 7, 2, 80}, nil
	case Sensitive:
		return parameters{0.578, 0.386, 0.3, 6, 1, 80}, nil
	case MediumResistant:
		return parameters{0.072, 0.097, 0, 5, 1.5, 85}, nil
	case Resistant:
		return parameters{0.033, 0.014, 0, 3, 1, 85}, nil
	}
	return parameters{}, fmt.Errorf("unknown mould class %q: it is one of %v", string(c), Classes())
}

// critical is the humidity in % from which mould grows at t °C:
//
//	max(-0.00267 t³ + 0.160 t² - 3.13 t + 100, least)  up to 20 °C
//
// and least above. (The sign of 3.13 is printed wrong in places. At exactly
// 20 °C the polynomial gives 80.04: the model has a step there.)
func (p parameters) critical(t float64) float64 {
	if t > 20 {
		return p.least
	}
	curve := 0.160 - float64(t*0.00267)
	curve = float64(t*curve) - 3.13
	return max(100+float64(t*curve), p.least)
}

// Critical is the relative humidity from which mould grows on the class at t;
// below 0 and from 50 °C it does not grow at all. At 0 °C and below it is 1.
func (c Class) Critical(t unit.Celsius) (unit.RH, error) {
	p, err := c.parameters()
	if err == nil {
		err = check(t, 0)
	}
	if err != nil {
		return 0, fmt.Errorf("cannot find critical humidity: %w", err)
	}
	return unit.RH(p.critical(max(0, float64(t))) / 100), nil
}

// The range of the sensors of a room; see unit.
func check(t unit.Celsius, rh unit.RH) error {
	if err := unit.Temperature.Plausible(float64(t)); err != nil {
		return err
	}
	return unit.Humidity.Plausible(float64(rh))
}

// Times are the two times of the model at constant temperature and humidity
// on pine sapwood.
type Times struct {
	Germination unit.Days // to index 1
	Visible     unit.Days // to index 3
}

// times in days; t above 0 °C, rh in %. Here and below products are rounded
// before they are added, so that every machine gives the same bits.
func times(t, rh float64) Times {
	lnT, lnRH := math.Log(t), math.Log(rh)
	return Times{
		Germination: unit.Days(7 * math.Exp(66.02-float64(0.68*lnT)-float64(13.9*lnRH))),
		Visible:     unit.Days(7 * math.Exp(61.50-float64(0.74*lnT)-float64(12.72*lnRH))),
	}
}

// GrowthTimes are Times for t above 0 and below 50 °C and rh from the critical
// humidity of pine to 1:
//
//	7 exp(-0.68 ln t - 13.9 ln rh + 66.02),  7 exp(-0.74 ln t - 12.72 ln rh + 61.50)
func GrowthTimes(t unit.Celsius, rh unit.RH) (Times, error) {
	if err := check(t, rh); err != nil {
		return Times{}, fmt.Errorf("cannot find the times of mould growth: %w", err)
	}
	p, err := Pine.parameters()
	if err != nil {
		return Times{}, err
	}
	if !p.grows(float64(t), 100*float64(rh)) {
		return Times{}, fmt.Errorf("cannot find the times of mould growth: nothing grows at %g °C and %g %% relative humidity", float64(t), 100*float64(rh))
	}
	return times(float64(t), 100*float64(rh)), nil
}

func (p parameters) grows(t, rh float64) bool {
	return t > 0 && t < 50 && rh >= p.critical(t)
}

// Greatest is the index growth on the class tends to at constant t and rh: A +
// B q - C q², q = (RHcrit-rh)/(RHcrit-100). It is 0 where nothing grows.
func (c Class) Greatest(t unit.Celsius, rh unit.RH) (float64, error) {
	p, err := c.parameters()
	if err == nil {
		err = check(t, rh)
	}
	if err != nil {
		return 0, fmt.Errorf("cannot find the greatest mould index: %w", err)
	}
	if !p.grows(float64(t), 100*float64(rh)) {
		return 0, nil
	}
	return p.greatest(float64(t), 100*float64(rh)), nil
}

func (p parameters) greatest(t, rh float64) float64 {
	crit := p.critical(t)
	if crit >= 100 { // just above freezing: saturated air is all there is
		return max(0, p.a+p.b-p.c)
	}
	q := (crit - rh) / (crit - 100)
	return max(0, p.a+float64(p.b*q)-float64(p.c*float64(q*q)))
}

// The decline of the index on a surface too dry or cold to grow, per hour, by
// the hours since growth stopped.
const (
	declineFirst   = 0.00133  // up to 6 h
	declineLater   = 0.000667 // after 24 h; in between it rests
	firstHours     = 6
	restUntilHours = 24
)

// Surface is a surface whose index is followed. Recovery is the share of the
// decline of the original model, above 0 to 1: 1 for pine; 0.5, 0.25 or 0.1
// for surfaces that recover more slowly (Ojanen et al. 2010).
type Surface struct {
	Class    Class   `json:"class"`
	Recovery float64 `json:"recovery"`
}

// Index is the mould index of a surface: a plain value, kept as JSON. The zero
// value is a clean surface. 1 is the first growth seen under a microscope, 3
// the first seen by eye, 6 a surface covered.
type Index struct {
	Value float64 `json:"value"` // 0 to 6
	// Dry is how long growth has stood still, h.
	Dry     float64 `json:"dry_h"`
	Peak    float64 `json:"peak"`
	Hours   float64 `json:"h"` // time counted
	Unknown float64 `json:"unknown_h"`
}

// Step adds one hour with the given mean temperature and humidity of the
// surface, by the explicit Euler step of the model. For the same index a
// damper hour never leaves less mould than a drier one. (Over a course of
// hours that can fail by a little: an index that wavers about the critical
// humidity starts its quick first decline again each time.) On an error the
// index is as it was.
func (s Surface) Step(m Index, t unit.Celsius, rh unit.RH) (Index, error) {
	p, err := s.Class.parameters()
	if err == nil {
		err = check(t, rh)
	}
	if err == nil && !(s.Recovery > 0 && s.Recovery <= 1) {
		err = fmt.Errorf("recovery %g is not above 0 and up to 1", s.Recovery)
	}
	if err != nil {
		return m, fmt.Errorf("cannot follow the mould index: %w", err)
	}
	if p.grows(float64(t), 100*float64(rh)) {
		m.Dry = 0
		m.Value += p.hourly(m.Value, float64(t), 100*float64(rh))
		m.Peak = max(m.Peak, m.Value)
	} else {
		m.Value = max(0, m.Value-float64(s.Recovery*decline(m.Dry)))
		m.Dry++
	}
	m.Hours++
	return m, nil
}

// hourly is what the index grows by in an hour, from its value at the start.
func (p parameters) hourly(value, t, rh float64) float64 {
	at := times(t, rh)
	k1 := p.slow
	if value >= 1 {
		if k1 = p.fast; k1 == 0 {
			k1 = 2 / (float64(at.Visible/at.Germination) - 1)
		}
	}
	k2 := max(0, 1-math.Exp(2.3*(value-p.greatest(t, rh))))
	return k1 * k2 / float64(at.Germination) / 24
}

// decline of the hour that follows dry hours without growth.
func decline(dry float64) float64 {
	switch {
	case dry < firstHours:
		return declineFirst
	case dry < restUntilHours:
		return 0
	}
	return declineLater
}

// Miss passes an hour of which nothing is known: the index neither grows nor
// declines, and the hour is counted as unknown. Whoever shows the index must
// say so, or estimate the hour and step through it.
func (m Index) Miss() Index {
	m.Unknown++
	return m
}
