package engine

import (
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Estimate is a likely value in a low to high range, 10 to 90 %.
type Estimate struct {
	Low    float64 `json:"low"`
	Likely float64 `json:"likely"`
	High   float64 `json:"high"`
}

// LotView is one lot as of the last whole hour, or its end.
type LotView struct {
	lot.Lot
	// Containers and MassKG are in store: 0 of a finished lot.
	Containers    int       `json:"containers_left"`
	MassKG        float64   `json:"mass_left_kg"`
	FoodName      string    `json:"food_name"`
	ContainerName string    `json:"container_name"`
	AsOf          time.Time `json:"as_of"`
	Caution       string    `json:"caution,omitempty"`
	// Warnings say what wants a person, worst first.
	Warnings []string `json:"warnings,omitempty"`
	// Remaining quality, 1 at packing and 0 at the limit of the limiting
	// mode. May be below 0 past the limit.
	Remaining Estimate   `json:"remaining_quality"`
	Limiting  string     `json:"limiting_mode"`
	Modes     []ModeView `json:"modes"`
	// End is the projected end: when remaining quality reaches 0 if the lot
	// stays in its room, under the forecast of the climate there, and in its
	// light where that reaches the food. Its 10 to 90 % band joins what is open
	// of the climate and of the constants. Zero
	// beyond 100 years and for a finished lot. EndBy names the mode, or what
	// water does to the food.
	End      time.Time `json:"projected_end,omitzero"`
	EndEarly time.Time `json:"projected_end_early,omitzero"`
	EndLate  time.Time `json:"projected_end_late,omitzero"`
	EndBy    string    `json:"projected_end_by,omitempty"`
	// EndAtPlan is the same if it is kept at plan storage from now on.
	EndAtPlan      time.Time `json:"projected_end_at_plan,omitzero"`
	PlanEarly      time.Time `json:"projected_end_at_plan_early,omitzero"`
	PlanLate       time.Time `json:"projected_end_at_plan_late,omitzero"`
	PlanBy         string    `json:"projected_end_at_plan_by,omitempty"`
	LostBeyondPlan float64   `json:"days_of_life_lost_beyond_plan"`
	// Days of the lot's life whose temperature was estimated or not known.
	EstimatedDays float64 `json:"estimated_days"`
	UnknownDays   float64 `json:"unknown_days"`

	Present  PresentView  `json:"present_conditions"`
	Moisture MoistureView `json:"moisture"`
	Oxygen   OxygenView   `json:"oxygen"`
	Insects  *InsectView  `json:"insects,omitempty"` // nil for food no insect lives on
	// Viable is the share of seeds that still sprout; nil for other food.
	Viable    *Estimate `json:"viable_seed_share,omitempty"`
	LightDose float64   `json:"light_dose_lux_hours"` // that reached the food
	// Tested is nil where no test has spoken.
	Tested *TestedView `json:"tested,omitempty"`
}

// ModeView is one deterioration mode of a lot.
type ModeView struct {
	Name     string   `json:"name"`
	Consumed Estimate `json:"consumed_share"`
	// Exposure since packing, equivalent days at the reference temperature.
	Exposure Estimate `json:"exposure_days"`
	// Nutrient marks a loss that does not end the lot.
	Nutrient bool `json:"nutrient,omitempty"`
	// Retention of a first-order mode, 1 at packing.
	Retention *Estimate `json:"retention,omitempty"`
	// Water and Oxygen are the factors by which water activity and the oxygen
	// inside have changed the mode against its stated life; Light is the share
	// of the life that light has cost.
	Water  float64 `json:"water_factor"`
	Oxygen float64 `json:"oxygen_factor"`
	Light  float64 `json:"light_share"`
}

// Passing is when a level is passed, if things stay as they are. An instant is
// zero where it never is, and that of the outlook, the start of the UTC day,
// where it may be past already.
type Passing struct {
	Level float64   `json:"level"`
	Past  bool      `json:"past"` // it is likely past
	At    time.Time `json:"at,omitzero"`
	Early time.Time `json:"early,omitzero"` // 10 %
	Late  time.Time `json:"late,omitzero"`  // 90 %
}

// PresentView is the air of the last 30 days in the lot's room, under which the
// dates of water and oxygen hold. What was not known is taken at plan storage
// and at the damp limit.
type PresentView struct {
	Temperature unit.Celsius `json:"temperature_celsius"`
	Humidity    unit.RH      `json:"relative_humidity_fraction"`
	// Known says that there was any reading to take it from.
	TemperatureKnown bool `json:"temperature_known"`
	HumidityKnown    bool `json:"humidity_known"`
}

// MoistureView is the water in the food.
type MoistureView struct {
	WetBasis Estimate `json:"wet_basis_fraction"`
	Activity Estimate `json:"water_activity"`
	// Amber and Red are the food's lines of water activity, Limit what then
	// happens to it. Dates hold under present conditions.
	Amber Passing `json:"amber"`
	Red   Passing `json:"red"`
	Limit string  `json:"limit"`
}

// OxygenView is the oxygen in one container of the lot.
type OxygenView struct {
	Words    string   `json:"words"` // "low oxygen", "air" or between
	Note     string   `json:"note"`  // on the absorber chosen
	Fraction Estimate `json:"fraction"`
	// Enclosed is the oxygen in the gas space at packing, the least capacity
	// an absorber must have; Left is what it still has. cm3.
	Enclosed float64 `json:"enclosed_cm3"`
	Left     float64 `json:"absorber_left_cm3"`
	// Spent is when the absorber is spent and Rises when oxygen passes 1, 2
	// and 5 % for good, under present conditions.
	Spent Passing   `json:"absorber_spent"`
	Rises []Passing `json:"rises"`
	// SealFailure is the share of such containers whose seal does not hold,
	// by what is known of the seal.
	SealFailure Estimate `json:"seal_failure_share"`
}

// InsectView is what was done against insects and what they could have done.
type InsectView struct {
	Words string `json:"words"`
	// Hold is the share of the low-oxygen hold that is done, and HeldAfter
	// the days from packing to its end.
	Hold      float64 `json:"oxygen_hold_share"`
	HeldAfter float64 `json:"oxygen_hold_done_after_days,omitempty"`
	Frozen    bool    `json:"freeze_hold_done"`
	// Freeze is the share of the cold spell that was seen at the core, for the
	// hardiest stage; 0 where no frost was.
	Freeze float64 `json:"freeze_hold_share,omitempty"`
	// Spells of Cycles cold spells are complete, and Resets were begun again
	// since the core came above melting; FrozenOn is when all were complete.
	Spells   int       `json:"cold_spells,omitempty"`
	Cycles   int       `json:"cold_spells_wanted,omitempty"`
	Resets   int       `json:"freeze_resets,omitempty"`
	FrozenOn time.Time `json:"frozen_on,omitzero"`
	// Next is what to do next about the treatment; empty where nothing is.
	Next string `json:"next_step,omitempty"`
	// Generations that warmth since packing would allow, if one pair came in
	// and nothing was done; they stop when a treatment is complete.
	Species     string   `json:"species"`
	Generations Estimate `json:"generations"`
	Ended       bool     `json:"ended"`
	UnknownDays float64  `json:"unknown_days"`
}
