package app_test

import (
	"encoding/json"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"dryhold/internal/unit"
)

// witness passes on what a broker and the daemon say to each other and keeps book
// of it: what the broker delivered, and what the daemon acknowledged. It is
// the witness of who lost a message.
type witness struct {
	listener net.Listener
	target   string
	work     sync.WaitGroup

	mu        sync.Mutex
	conns     []net.Conn
	memory    int // how often the broker lost its memory
	delivered map[delivery]*passed
}

// delivery is one message as the broker counts them: until it loses its memory
// an identifier with the same content is the same message.
type delivery struct {
	memory  int
	id      uint16
	content string
}

// passed is what went over the wire about a delivery.
type passed struct {
	facts  []fact
	again  bool // the first time it was seen it was flagged as delivered before
	acked  bool // by the daemon
	copies int
}

func tap(t *testing.T, url string) *witness {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &witness{listener: l, target: strings.TrimPrefix(url, "mqtt://"), delivered: map[delivery]*passed{}}
	w.work.Go(w.accept)
	t.Cleanup(func() {
		_ = l.Close()
		w.mu.Lock()
		for _, c := range w.conns {
			_ = c.Close()
		}
		w.mu.Unlock()
		w.work.Wait()
	})
	return w
}

func (w *witness) url() string { return "mqtt://" + w.listener.Addr().String() }

func (w *witness) accept() {
	for {
		daemon, err := w.listener.Accept()
		if err != nil {
			return
		}
		broker, err := net.DialTimeout("tcp", w.target, time.Second)
		if err != nil {
			_ = daemon.Close()
			continue
		}
		w.mu.Lock()
		w.conns = append(w.conns, daemon, broker)
		w.mu.Unlock()
		var mu sync.Mutex
		open := map[uint16]delivery{}
		w.work.Go(func() {
			carry(daemon, broker, func(p packets.ControlPacket) {
				if m, ok := p.(*packets.PublishPacket); ok && m.Qos > 0 {
					d := w.saw(m)
					mu.Lock()
					open[m.MessageID] = d
					mu.Unlock()
				}
			})
		})
		w.work.Go(func() {
			carry(broker, daemon, func(p packets.ControlPacket) {
				if m, ok := p.(*packets.PubackPacket); ok {
					mu.Lock()
					d, known := open[m.MessageID]
					mu.Unlock()
					if known {
						w.acknowledged(d)
					}
				}
			})
		})
	}
}

// carry passes packets on until one side is gone, then closes both. A packet
// is in the book before it is passed on.
func carry(to, from net.Conn, look func(packets.ControlPacket)) {
	defer func() { _, _ = to.Close(), from.Close() }()
	for {
		p, err := packets.ReadPacket(from)
		if err != nil {
			return
		}
		look(p)
		if p.Write(to) != nil {
			return
		}
	}
}

func (w *witness) saw(m *packets.PublishPacket) delivery {
	w.mu.Lock()
	defer w.mu.Unlock()
	d := delivery{w.memory, m.MessageID, m.TopicName + "\x00" + string(m.Payload)}
	if w.delivered[d] == nil {
		w.delivered[d] = &passed{facts: factsIn(m.TopicName, m.Payload), again: m.Dup}
	}
	w.delivered[d].copies++
	return d
}

func (w *witness) acknowledged(d delivery) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.delivered[d].acked = true
}

// forget notes that the broker lost its memory: identifiers begin anew.
func (w *witness) forget() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.memory++
}

// factsIn reads a message of the feeder.
func factsIn(topic string, payload []byte) []fact {
	name, rest, _ := strings.Cut(strings.TrimPrefix(topic, "rooms/"), "/")
	if rest == "temperature" {
		v, err := strconv.ParseFloat(string(payload), 64)
		if err != nil {
			return nil
		}
		return []fact{{room: name, quantity: unit.Temperature, steps: unit.Temperature.Steps(v)}}
	}
	var m struct {
		Time                  time.Time
		Temperature, Humidity float64
	}
	if json.Unmarshal(payload, &m) != nil {
		return nil
	}
	return message{at: m.Time, temperature: m.Temperature, humidity: m.Humidity}.facts(name)
}

// account is what the wire says of one fact.
type account struct {
	delivered int // as separate messages
	acked     int // by the daemon, of those delivered as new ones
	// alike are those that had identifier and content of one before the broker
	// lost its memory. When such a one is flagged as delivered before, nothing
	// tells which of the two it is.
	alike int
}

func (w *witness) accounts() map[fact]account {
	w.mu.Lock()
	defer w.mu.Unlock()
	out := map[fact]account{}
	first := map[delivery]int{} // memory, by deliveries without one
	for d := range w.delivered {
		k := delivery{id: d.id, content: d.content}
		if m, seen := first[k]; !seen || d.memory < m {
			first[k] = d.memory
		}
	}
	for d, p := range w.delivered {
		alike := d.memory > first[delivery{id: d.id, content: d.content}]
		for _, x := range p.facts {
			a := out[x]
			a.delivered++
			switch {
			case alike:
				a.alike++
			case p.acked && !p.again:
				a.acked++
			}
			out[x] = a
		}
	}
	return out
}
