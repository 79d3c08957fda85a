package app

import (
	"dryhold/internal/alarm"
)

// feel feeds the alarms of what the daemon finds of itself.
func (w *writer) feel() {
	now := w.clock.judging()
	w.take(w.engine.Vital(now, alarm.Delivery, w.worker.Status().Troubled(now).Seconds()))
	if free, known := w.disk.room(); known {
		w.take(w.engine.Vital(now, alarm.Disk, float64(free)))
	}
}
