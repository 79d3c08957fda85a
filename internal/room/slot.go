package room

// Slot is one hour of a room. Times are milliseconds of the hour: measured
// plus estimated plus unknown is the part of the hour that is over.
type Slot struct {
	// Air temperature over the measured part, °C; in an hour without any, the
	// estimate and its bounds.
	TempMean, TempMin, TempMax float32
	MeasuredMS, EstimatedMS    uint32
	UnknownMS                  uint32
	// Water vapour pressure (Pa) and relative humidity (fraction) over the
	// part in which both temperature and humidity were measured.
	VapourMean, HumidityMean float32
	VapourMS                 uint32
	// Illuminance dose over the measured part, lux hours.
	Dose   float32
	DoseMS uint32
}

// average gathers a time-weighted mean with its extremes over straight
// pieces.
type average struct {
	sum, low, high float64
	ms             int64
}

func (a *average) add(v0, v1 float64, ms int64) {
	if a.ms == 0 {
		a.low, a.high = v0, v0
	}
	a.low, a.high = min(a.low, v0, v1), max(a.high, v0, v1)
	a.sum += float64((v0 + v1) / 2 * float64(ms))
	a.ms += ms
}

func (a *average) mean() float64 {
	if a.ms == 0 {
		return 0
	}
	return a.sum / float64(a.ms)
}
