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
		return o.Key != s.Key && !o.Aside && o.Priority >= s.Priority && t != nil && !t.Told.IsZero() && covers(&o, s, t, p.told[s.Key])
	})
}

// covers says which alarms follow from which: all that is said of the heat of a
// room from what was said of it first, but nothing from what is only forecast;
// a line of moisture from the one beyond it; the silence of sensors that fell
// silent together from the first of them. Of the two, by was told.
func covers(by, s *Standing, told, of *Told) bool {
	a, b := by.Key, s.Key
	switch {
	case heat(a.Kind) && (heat(b.Kind) || b.Kind == alarm.Ahead):
		first := of == nil || of.Told.IsZero() || told.Told.Before(of.Told) || told.Told.Equal(of.Told) && compareKeys(a, b) < 0
		return a.Room == b.Room && (a.Sensor == b.Sensor || a.Sensor == "") && (first || b.Kind == alarm.Ahead)
	case b.Kind == alarm.MoistureAmber:
		return by.Active && a.Kind == alarm.MoistureRed && a.Lot == b.Lot
	case b.Kind == alarm.Silent:
		apart := s.Raised.Sub(by.Raised)
		first := apart > 0 || apart == 0 && compareKeys(a, b) < 0
		return by.Active && a.Kind == alarm.Silent && by.Alike && s.Alike && by.Room == s.Room && first && apart <= Together
	}
	return false
}

// heat reports whether a kind tells that a room is or was too warm.
func heat(k alarm.Kind) bool {
	return k == alarm.Warm || k == alarm.Hot || k == alarm.Ageing || k == alarm.HoursOver
}
