package engine

import "time"

// DeviceView is what a device last said of itself, by its own word or by its
// last will (the $state of the Homie convention). It is shown only: whether its
// sensors measure is judged by what they send.
type DeviceView struct {
	Device string `json:"device"` // its topic
	// Room and Sensor are empty for a device that stands for several.
	Room   string `json:"room,omitempty"`
	Sensor string `json:"sensor,omitempty"`
	// State is a word of the convention (init, ready, disconnected, sleeping,
	// lost, alert), or removed.
	State string `json:"state"`
	Gone  bool   `json:"gone"` // disconnected, lost or removed
	// Heard is when dryhold first heard this state: a state it was told at its
	// own start may be older.
	Heard time.Time `json:"heard"`
}
