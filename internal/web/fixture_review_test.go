package web

import (
	"context"
	"slices"
	"time"

	"golang.org/x/net/html"

	"dryhold/internal/alarm"
)

func (k *keeper) Watched(context.Context) ([]ConditionView, error) {
	warm := alarm.New(alarm.Key{Kind: alarm.Warm, Room: "loft"})
	warm.State = alarm.ActiveUnacknowledged
	damp := alarm.New(alarm.Key{Kind: alarm.Damp, Room: "cellar"})
	damp.Value, damp.ValueAt, damp.Unknown = 0.58, ago(time.Minute), false
	silent := alarm.New(alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "loft-1"})
	silent.Unknown = true
	return []ConditionView{{damp, 0.65, alarm.Medium}, {silent, 1800, alarm.Low}, {warm, 24, alarm.High}}, k.note("list conditions")
}

// hasAttr says whether an element has an attribute, whatever its value.
func hasAttr(n *html.Node, key string) bool {
	return slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == key })
}
