package broker

import (
	"slices"
	"testing"
)

// The identifiers of a session go on through connections and restarts.
func TestIdentifiersGoOn(t *testing.T) {
	dir := t.TempDir()
	b := begin(t, Config{Dir: dir})
	var ids []uint16
	send := func(b *Broker, n int) {
		t.Helper()
		sub := join(t, b.Addr(), "intake", true, "larch/#")
		pub := join(t, b.Addr(), "sensor", true)
		for range n {
			await(t, pub.Publish("larch/loft", 1, false, "21.5"))
		}
		for _, g := range sub.await(t, n) {
			ids = append(ids, g.id)
		}
		pub.Disconnect(100)
		sub.Disconnect(100)
	}
	send(b, 3)
	send(b, 3)
	if want := []uint16{1, 2, 3, 4, 5, 6}; !slices.Equal(ids, want) {
		t.Errorf("over two connections identifiers %v, want %v", ids, want)
	}
	end(t, b)
	ids = nil
	send(begin(t, Config{Dir: dir}), 2)
	if ids[0] <= 6 || ids[1] != ids[0]+1 {
		t.Errorf("after a restart identifiers %v, want them beyond 6", ids)
	}
}

// They go on also where the first publication after a restart comes before the
// session's client.
func TestIdentifiersGoOnBeforeTheClient(t *testing.T) {
	dir := t.TempDir()
	b := begin(t, Config{Dir: dir})
	pub := join(t, b.Addr(), "sensor", true)
	sub := join(t, b.Addr(), "intake", true, "larch/#")
	await(t, pub.Publish("larch/loft", 1, false, "21.5"))
	before := sub.await(t, 1)[0].id
	end(t, b)
	b = begin(t, Config{Dir: dir})
	pub = join(t, b.Addr(), "sensor", true)
	await(t, pub.Publish("larch/loft", 1, false, "21.5"))
	sub = join(t, b.Addr(), "intake", true, "larch/#")
	if after := sub.await(t, 1)[0].id; after <= before {
		t.Errorf("identifier %d after a restart, want it beyond %d", after, before)
	}
}

func TestIdentifiersAreReservedAhead(t *testing.T) {
	st, err := openStore(t.TempDir()+"/"+storeFile, false, begin(t, Config{}).guard.log)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := st.close(); err != nil {
			t.Error(err)
		}
	}()
	g, err := newGuard(Config{}, nil, st)
	if err != nil {
		t.Fatal(err)
	}
	id := uint16(0)
	for range 200_000 { // three times round
		if id++; id == 0 {
			id = 1
		}
		before := g.counters["intake"]
		if before != nil && distance(id, before.reserved) > reserve {
			t.Fatalf("identifier %d was given with %d reserved", id, before.reserved)
		}
		g.note("intake", id)
	}
}
