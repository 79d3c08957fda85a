package dispatch

import (
	"slices"

	"dryhold/internal/alarm"
)

// covered reports whether an alarm follows from another one that was told to the
// recipient, is no less urgent, and stands, or may come back as heat does at
// noon: then it makes no message of its own.
func (p *person) covered(s *Standing, standing []Standing) bool {
	return slices.ContainsFunc(standing, func(o Standing) bool {
		t := p.told[o.Key]
		return (o.Active || o.Key.Kind != alarm.Silent) && !o.Aside && o.Priority >= s.Priority && t != nil && !t.Told.IsZero() && covers(&o, s)
	})
}

// covers says which alarms follow from which: the heat of a room from a greater
// heat of it, and what heat does from the heat; a line of moisture from the one
// beyond it; the silence of sensors that fell silent together from the first of
// them.
func covers(by, s *Standing) bool {
	a, b := by.Key, s.Key
	switch b.Kind {
	case alarm.Warm:
		return a.Kind == alarm.Hot && a.Room == b.Room && (a.Sensor == b.Sensor || a.Sensor == "")
	case alarm.Ageing, alarm.HoursOver, alarm.Ahead:
		return (a.Kind == alarm.Warm || a.Kind == alarm.Hot) && a.Room == b.Room && a.Sensor == ""
	case alarm.MoistureAmber:
		return a.Kind == alarm.MoistureRed && a.Lot == b.Lot
	case alarm.Silent:
		apart := s.Raised.Sub(by.Raised)
		first := apart > 0 || apart == 0 && compareKeys(a, b) < 0
		return a.Kind == alarm.Silent && by.Alike && s.Alike && by.Room == s.Room && first && apart <= Together
	}
	return false
}
