package metrics

import "github.com/prometheus/client_golang/prometheus"

// descs are the descriptions of every series read from the snapshot. Names
// and base units follow the Prometheus conventions: a fraction is a ratio, a
// duration is in seconds, a count that only grows ends in _total.
type descs struct {
	all []*prometheus.Desc

	temperature, humidity, illuminance, dewPoint *prometheus.Desc
	warmLimit, dampLimit, brightLimit            *prometheus.Desc
	acceleration, meanKinetic, coverage          *prometheus.Desc
	lots, lowestQuality, lastReading             *prometheus.Desc

	sensorSilent, sensorSeen *prometheus.Desc
	sensorBattery, sensorDue *prometheus.Desc
	alarmActive, alarms      *prometheus.Desc

	evaluated, connected, messages, stored *prometheus.Desc
	duplicates, intakeErrors, healthOK     *prometheus.Desc

	mouldIndex, lotsWarned *prometheus.Desc

	lotQuality, lotQualityLow, lotQualityHigh, lotLost *prometheus.Desc
	lotEnd, lotEndEarly, lotEndLate                    *prometheus.Desc
	lotMoisture                                        *prometheus.Desc
	lotActivity, lotActivityLow, lotActivityHigh       *prometheus.Desc
	lotAmber, lotRed                                   *prometheus.Desc
	lotOxygen, lotOxygenLow, lotOxygenHigh             *prometheus.Desc
	lotAbsorber, lotSealFailure, lotGenerations        *prometheus.Desc
}

func newDescs() descs {
	var all []*prometheus.Desc
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		d := prometheus.NewDesc("dryhold_"+name, help, labels, nil)
		all = append(all, d)
		return d
	}
	site := func(name, help string, labels ...string) *prometheus.Desc {
		return desc(name, help, append([]string{"site"}, labels...)...)
	}
	room := func(name, help string, labels ...string) *prometheus.Desc {
		return site("room_"+name, help, append([]string{"room"}, labels...)...)
	}
	lot := func(name, help string) *prometheus.Desc {
		return site("lot_"+name, help, "room", "lot", "food")
	}
	d := descs{
		temperature: room("temperature_celsius", "Air temperature of the room now."),
		humidity:    room("relative_humidity_ratio", "Relative humidity of the room now, over liquid water, 0 to 1."),
		illuminance: room("illuminance_lux", "Illuminance of the room now."),
		dewPoint:    room("dew_point_celsius", "Dew point of the room's air now."),
		warmLimit:   room("temperature_limit_celsius", "Temperature above which the room is too warm; also the plan storage temperature."),
		dampLimit:   room("relative_humidity_limit_ratio", "Relative humidity above which the room is too damp."),
		brightLimit: room("illuminance_limit_lux", "Illuminance above which the room is too bright."),
		acceleration: room("ageing_acceleration_ratio",
			"How many times as fast as at plan storage food ages at the present temperature, for an activation energy of 80 kJ/mol."),
		meanKinetic: room("mean_kinetic_temperature_celsius",
			"Mean kinetic temperature of the last 30 days, for an activation energy of 83.144 kJ/mol."),
		coverage:   room("temperature_coverage_ratio", "Share of the last 24 hours with a measured temperature."),
		lots:       room("lots", "Lots that stand in the room and are not finished."),
		lotsWarned: room("lots_warned", "Lots in the room that have a warning: water, seal, insects or the end of their life; lots has all."),
		lowestQuality: room("lowest_remaining_quality_ratio",
			"Likely remaining quality of the lot in the room that has least left; 0 is the end of its life. Quality is not safety."),
		mouldIndex: room("mould_index",
			"Mould index of a surface as warm as the air of the room, 0 to 6; from 1 on mould grows. It says nothing of food.", "surface"),
		lastReading: room("last_reading_timestamp_seconds", "Time of the newest reading of a quantity in the room.", "quantity"),

		sensorSilent:  site("sensor_silent", "1 when the sensor has sent nothing for its stale limit, else 0.", "room", "sensor"),
		sensorSeen:    site("sensor_last_seen_timestamp_seconds", "Time of the sensor's newest reading.", "room", "sensor"),
		sensorBattery: site("sensor_battery_ratio", "Charge left in the sensor's battery, as it says; absent while it is silent.", "room", "sensor"),
		sensorDue: site("sensor_calibration_due_timestamp_seconds",
			"When a quantity of the sensor is to be calibrated again; absent where no date was given.", "room", "sensor", "quantity"),

		alarmActive: site("alarm_active",
			"One series for each alarm condition that is not normal: 1 while it is active, 0 while it is returned, shelved or out of service.",
			"room", "sensor", "lot", "kind", "priority"),
		alarms: site("alarms", "Alarm conditions that are not normal, by state.", "state"),

		evaluated:    site("last_evaluation_timestamp_seconds", "Time of the published state."),
		connected:    site("intake_connected", "1 while connected to the message broker, else 0."),
		messages:     site("intake_messages_total", "Messages received on mapped topics."),
		stored:       site("intake_readings_stored_total", "Readings made durable."),
		duplicates:   site("intake_readings_duplicate_total", "Readings that were on disk already."),
		intakeErrors: site("intake_errors_total", "Messages or fields that could not be used, by topic and cause.", "topic", "cause"),
		healthOK:     site("health_ok", "1 when the check of the daemon's own condition is good, else 0.", "check"),

		lotQuality:     lot("remaining_quality_ratio", "Likely remaining quality of the lot; 0 is the end of its life. Quality is not safety."),
		lotQualityLow:  lot("remaining_quality_low_ratio", "Low bound (10 %) of the remaining quality of the lot."),
		lotQualityHigh: lot("remaining_quality_high_ratio", "High bound (90 %) of the remaining quality of the lot."),
		lotLost:        lot("life_lost_beyond_plan_seconds", "Life the lot has lost beyond what plan storage would have cost it."),

		lotEnd:          lot("projected_end_timestamp_seconds", "Likely end of the lot under the forecast of its room; absent beyond 100 years."),
		lotEndEarly:     lot("projected_end_early_timestamp_seconds", "Early bound (10 %) of the projected end; absent beyond 100 years."),
		lotEndLate:      lot("projected_end_late_timestamp_seconds", "Late bound (90 %) of the projected end; absent beyond 100 years."),
		lotMoisture:     lot("moisture_ratio", "Likely moisture of the food, over its wet mass."),
		lotActivity:     lot("water_activity_ratio", "Likely water activity of the food, 0 to 1."),
		lotActivityLow:  lot("water_activity_low_ratio", "Low bound (10 %) of the water activity of the food."),
		lotActivityHigh: lot("water_activity_high_ratio", "High bound (90 %) of the water activity of the food."),
		lotAmber:        lot("water_activity_amber_ratio", "Water activity at which the food wants attention."),
		lotRed:          lot("water_activity_red_ratio", "Water activity at which the food is lost for keeping."),
		lotOxygen:       lot("oxygen_ratio", "Likely share of oxygen in the gas inside a container."),
		lotOxygenLow:    lot("oxygen_low_ratio", "Low bound (10 %) of the share of oxygen inside."),
		lotOxygenHigh:   lot("oxygen_high_ratio", "High bound (90 %) of the share of oxygen inside, with seals that leak."),
		lotAbsorber:     lot("absorber_left_liters", "Oxygen the absorber of one container can still take; absent without an absorber."),
		lotSealFailure:  lot("seal_failure_ratio", "Likely share of such containers whose seal does not hold, by what is known of it."),
		lotGenerations: lot("insect_generations",
			"Generations that warmth since packing would have allowed to insects, up to the end of a treatment; absent for food no insect lives on."),
	}
	d.all = all
	return d
}
