package app

import (
	"slices"

	"dryhold/internal/alarm"
	"dryhold/internal/notify"
)

// feel feeds the alarms of what the daemon finds of itself. The trouble of the
// channel over MQTT is that of the broker, which is told as such.
func (w *writer) feel() {
	now, status := w.clock.judging(), w.worker.Status()
	status.Channels = slices.DeleteFunc(status.Channels, func(c notify.ChannelStatus) bool { return c.Channel == "mqtt" })
	w.take(w.engine.Vital(now, alarm.Delivery, status.Troubled(now).Seconds()))
	if x := w.export.Load(); x != nil {
		w.take(w.engine.Vital(now, alarm.Export, x.stuck(now).Seconds()))
	}
	if free, known := w.disk.room(); known {
		w.take(w.engine.Vital(now, alarm.Disk, float64(free)))
	}
}
