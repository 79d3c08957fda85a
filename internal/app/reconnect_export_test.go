package app

import "time"

// Reconnect gives options with the longest pause between attempts to reach the
// broker, and the interval of pings.
func (o Options) Reconnect(pause, keepAlive time.Duration) Options {
	o.reconnectMax, o.keepAlive = pause, keepAlive
	return o
}
