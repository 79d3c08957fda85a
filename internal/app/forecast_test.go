package app

import (
	"math"
	"testing"
	"time"

	"dryhold/internal/forecast"
)

// TestBacktestOfARoom: too short a history says how much it wants, a year of a
// season with noise is forecast and held against what came.
func TestBacktestOfARoom(t *testing.T) {
	made := func(days int) forecast.History {
		h := forecast.History{From: time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)}
		for i := range days * 24 {
			d := float64(i) / 24
			temp := 15 + 6*math.Sin(2*math.Pi*d/365.25) + 2*math.Sin(d*0.7) + math.Sin(2*math.Pi*d)
			h.Hours = append(h.Hours, forecast.Hour{Temp: float32(temp), Vapour: 900})
		}
		return h
	}
	if b := backtest("loft", made(100), forecast.Options{}); b.Wants != 80 || b.Days != 100 || len(b.Lines) > 0 {
		t.Errorf("100 days: %+v", b)
	}
	b := backtest("loft", made(400), forecast.Options{Members: 10})
	if b.Wants != 0 || b.Origins < 20 || b.TrainDays != 200 || b.Note != "" {
		t.Fatalf("400 days: %+v", b)
	}
	for _, l := range b.Lines {
		if l.Own.N == 0 || math.IsNaN(l.Own.CRPS) || l.Own.Cover < 0 || l.Own.Cover > 1 {
			t.Errorf("%s, %s: %+v", l.Of, l.Lead, l.Own)
		}
	}
}
