package broker

import (
	mqtt "github.com/mochi-mqtt/server/v2"
)

const (
	// identifiers is how many packet identifiers there are: 1 to 65535.
	identifiers = 65535
	// reserve is how many are taken at once on disk. Half of them are still
	// there when the next ones are taken, so that none is given that is not
	// reserved on disk.
	reserve = 1024
)

// counter is where the packet identifiers of one session stand.
type counter struct{ last, reserved uint16 }

// The library begins each connection with identifier 1. A subscriber that
// keeps book of what it has could then take a new message for one delivered
// again, where both have the same identifier and text, as of a sensor that
// says the same all day. So a session goes on counting through connections
// and restarts.

// note keeps an identifier given to a message of a session.
func (g *guard) note(client string, id uint16) {
	g.mu.Lock()
	c := g.counters[client]
	first := c == nil
	if first {
		c = &counter{}
		g.counters[client] = c
	}
	c.last = id
	more := first || distance(id, c.reserved) < reserve/2 || distance(id, c.reserved) > reserve
	if more {
		c.reserved = uint16((int(id)+reserve-1)%identifiers + 1)
	}
	upTo := c.reserved
	g.mu.Unlock()
	if more {
		g.store.put(bucketIdentifiers, client, upTo)
	}
}

// distance is how far it is from one identifier to another, going round.
func distance(from, to uint16) int {
	return (int(to) - int(from) + identifiers) % identifiers
}

// goOn makes a new connection of a session, or the session itself after a
// restart, count on from where it stood.
func (g *guard) goOn(cl *mqtt.Client) {
	g.mu.Lock()
	last := uint16(0)
	if c := g.counters[cl.ID]; c != nil {
		last = c.last
	}
	g.mu.Unlock()
	for range last {
		if _, err := cl.NextPacketID(); err != nil {
			return // all are in use: any will do
		}
	}
}

// loadCounters reads up to where each session has identifiers reserved: some
// of them were perhaps given before the end, so it goes on behind them.
func (g *guard) loadCounters() error {
	reserved, err := loadKeys[uint16](g.store, bucketIdentifiers)
	g.mu.Lock()
	defer g.mu.Unlock()
	for client, id := range reserved {
		g.counters[client] = &counter{last: id, reserved: id}
	}
	return err
}
