package app_test

import (
	"strings"
	"testing"
	"time"

	"dryhold/internal/intake/mosquittotest"
)

// neighbours are two daemons of different sites at one broker, each named
// rightly or not.
func neighbours(t *testing.T, clients, roots [2]string) (larch, barn *house) {
	t.Helper()
	m := mosquittotest.Start(t)
	var out [2]*house
	for i, site := range []string{"larch-house", "alder-barn"} {
		h := newHouse(t, m)
		h.opts.Settings.Site, h.opts.Settings.Broker.ClientID, h.opts.Settings.Broker.Root = site, clients[i], roots[i]
		h.opts.Settings.Notify.MQTTTopic = h.opts.Settings.Broker.Topic("notices")
		h.opts = h.opts.Reconnect(200*time.Millisecond, 0)
		out[i] = h.start()
	}
	return out[0], out[1]
}

// unsettled waits until health of a daemon says what is wrong.
func unsettled(t *testing.T, h *house, urgent bool, want ...string) {
	t.Helper()
	within(t, time.Minute, "health to say that it is not alone", func() bool {
		for _, c := range h.app.Health() {
			ok := c.Code == "alone" && !c.OK && c.Urgent == urgent
			for _, text := range want {
				ok = ok && strings.Contains(c.Text, text)
			}
			if ok {
				return true
			}
		}
		return false
	})
}

// Two daemons that share a client identifier or a root by mistake both say so,
// and what it does; a restart of the other one alone does not look like one.
func TestAlone(t *testing.T) {
	t.Run("as it should be", func(t *testing.T) {
		larch, barn := neighbours(t, [2]string{"dryhold-larch", "dryhold-alder"}, [2]string{"dryhold/larch-house", "dryhold/alder-barn"})
		barn.restart()
		within(t, time.Minute, "the connection", func() bool { return barn.app.Snapshot().Intake.Connected })
		for _, h := range []*house{larch, barn} {
			if got := h.check("alone"); !strings.HasPrefix(got, "true") {
				t.Errorf("health says %s", got)
			}
		}
	})
	t.Run("one root", func(t *testing.T) {
		larch, barn := neighbours(t, [2]string{"dryhold-larch", "dryhold-alder"}, [2]string{"dryhold", "dryhold"})
		unsettled(t, larch, false, `of site "alder-barn"`, "broker.root")
		unsettled(t, barn, false, `of site "larch-house"`, "broker.root")
	})
	t.Run("one identifier and root, as by default", func(t *testing.T) {
		larch, barn := neighbours(t, [2]string{"dryhold", "dryhold"}, [2]string{"dryhold", "dryhold"})
		unsettled(t, larch, true, `of site "alder-barn"`, "broker.client_id")
		unsettled(t, barn, true, `of site "larch-house"`, "broker.client_id")
	})
	t.Run("one identifier", func(t *testing.T) {
		larch, barn := neighbours(t, [2]string{"dryhold", "dryhold"}, [2]string{"dryhold/larch-house", "dryhold/alder-barn"})
		unsettled(t, larch, false, `does another client connect as "dryhold"`)
		unsettled(t, barn, false, `does another client connect as "dryhold"`)
	})
}
