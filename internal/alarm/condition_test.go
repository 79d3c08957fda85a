package alarm

import (
	"testing"
	"time"
)

func TestSmoke(t *testing.T) {
	r := Rule{Kind: Warm, Limit: 24, Deadband: 1, OnDelay: 30 * time.Minute, OffDelay: 30 * time.Minute}
	t0 := time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)
	c := New(Key{Kind: Warm, Room: "loft"})
	c, _ = c.Observe(r, t0, 30)
	c, moved := c.Tick(r, t0.Add(30*time.Minute))
	if len(moved) != 1 || c.NoticeKey(Raised) != "warm/loft#1/20310712T123000Z/raised" {
		t.Fatal(c, moved)
	}
}
