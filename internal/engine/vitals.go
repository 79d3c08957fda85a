package engine

import (
	"time"

	"dryhold/internal/alarm"
)

// Vital takes what the daemon finds of itself: a value of one of the kinds of
// the whole site. Kinds that are not fed are not watched.
func (e *Engine) Vital(now time.Time, kind alarm.Kind, value float64) Effects {
	var fx Effects
	if rule, ok := e.cfg.SiteRules[kind]; ok && kind.Scope() == alarm.OfSite {
		e.look(alarm.Key{Kind: kind}, rule, now, value, true, &fx)
		e.compose(&fx)
	}
	return fx
}
