package broker

import (
	"maps"
	"slices"
	"testing"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/go-cmp/cmp"
)

// A shared subscription deals out publications, each to one member of the
// group, over a restart, too: what is dealt to one that is away waits for it.
// To each member its own come in order. What is kept comes to none of them, and
// who subscribes by itself gets everything.
func TestShare(t *testing.T) {
	dir := t.TempDir()
	b := begin(t, Config{NoSync: true, Dir: dir})
	const filter = "$share/recorders/larch/#"
	pub := join(t, b.Addr(), "sensor", true)
	await(t, pub.Publish("larch/loft", 1, true, "kept"))
	alone := join(t, b.Addr(), "alone", true, "larch/#")
	member := func(id string) *subscriber {
		t.Helper()
		s := join(t, b.Addr(), id, true)
		token := s.Subscribe(filter, 1, nil).(*mqtt.SubscribeToken)
		await(t, token)
		if token.Result()["larch/#"] != 1 { // so the client names it
			t.Fatalf("granted %v", token.Result())
		}
		return s
	}
	members := []*subscriber{member("recorder-1"), member("recorder-2")}
	const n = 400
	for i, p := range numbers(0, 2*n) {
		if i == n {
			for _, m := range members {
				m.await(t, 1)
			}
			eventually(t, "the first half", func() bool { return len(members[0].got())+len(members[1].got()) == n })
			members[1].Disconnect(100)
		}
		await(t, pub.Publish("larch/cellar", 1, false, p))
	}
	retained := func(g got) bool { return g.retain }
	if list := alone.await(t, 2*n+1); len(list) != 2*n+1 || !slices.ContainsFunc(list, retained) {
		t.Errorf("one that shares with nobody has %d messages, or not what was kept", len(list))
	}
	end(t, b)
	b = begin(t, Config{NoSync: true, Dir: dir})
	// What was on its way comes again.
	lives := [2][]*subscriber{{members[0], join(t, b.Addr(), "recorder-1", true)}, {members[1], join(t, b.Addr(), "recorder-2", true)}}
	dealt := func() (out [2]map[string]bool) {
		for i := range out {
			out[i] = map[string]bool{}
			for _, life := range lives[i] {
				for _, p := range life.payloads() {
					out[i][p] = true
				}
			}
		}
		return out
	}
	eventually(t, "what waited", func() bool { x := dealt(); return len(x[0])+len(x[1]) >= 2*n })
	x := dealt()
	all := slices.Sorted(maps.Keys(x[0]))
	all = slices.Sorted(slices.Values(append(all, slices.Sorted(maps.Keys(x[1]))...)))
	if d := cmp.Diff(numbers(0, 2*n), all); d != "" {
		t.Errorf("each publication to one member (-want +got):\n%.1000s", d)
	}
	for i := range lives {
		for _, life := range lives[i] {
			if !slices.IsSorted(life.payloads()) {
				t.Errorf("member %d got its own in another order", i+1)
			}
		}
	}
	waited := len(lives[1][1].got())
	t.Logf("%d publications dealt out as %d and %d, %d of them to the one that was away", 2*n, len(x[0]), len(x[1]), waited)
	if waited == 0 {
		t.Error("nothing was dealt to the member that was away")
	}
}
