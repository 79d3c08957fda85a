package app

import (
	"fmt"

	"dryhold/internal/health"
)

// subscriptions are the filters as the intake subscribes to them: in a group,
// those of readings are shared, and those of the daemon's own topics are not.
// Nobody else may use them so: a second client of this daemon would take
// readings away from the first.
func (a *App) subscriptions() []string {
	group := a.opts.Settings.Broker.Share
	if group == "" {
		return a.filters()
	}
	out := a.own()
	for _, f := range a.decoder.Filters() {
		out = append(out, "$share/"+group+"/"+f)
	}
	return out
}

// checkShare says that readings are dealt out, where they are: a room that is
// judged by a part of them must not look as if it were judged by all.
func (a *App) checkShare() []health.Check {
	b := a.opts.Settings.Broker
	if b.Share == "" {
		return nil
	}
	return []health.Check{{Code: "share", Title: "All readings come here", Text: fmt.Sprintf(
		"the broker deals them out among the members of the group %q (broker.share): rooms are judged by the part that comes here, and in no common order", b.Share)}}
}
