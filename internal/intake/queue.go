package intake

import (
	"sync"
	"sync/atomic"
)

// maxWaiting bounds the payload bytes that wait for the handler. Beyond it
// the network is not read.
const maxWaiting = 64 << 20

// queue holds messages between the network and the handler.
type queue struct {
	limit   int // messages, for those at QoS 0
	dropped atomic.Int64

	mu     sync.Mutex
	change *sync.Cond
	items  []Delivery
	bytes  int
	closed bool
}

func newQueue(limit int) *queue {
	q := &queue{limit: limit}
	q.change = sync.NewCond(&q.mu)
	return q
}

// push appends a message. It blocks while too many bytes wait.
func (q *queue) push(d Delivery) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if d.QoS == 0 && len(q.items) >= q.limit {
		q.dropped.Add(1)
		return
	}
	for q.bytes > maxWaiting && !q.closed {
		q.change.Wait()
	}
	if q.closed {
		return // not acknowledged, so it comes again
	}
	q.items = append(q.items, d)
	q.bytes += len(d.Payload)
	q.change.Broadcast()
}

// deliver calls handle with each message until close.
func (q *queue) deliver(handle func(Delivery)) {
	var batch []Delivery
	for {
		q.mu.Lock()
		for len(q.items) == 0 && !q.closed {
			q.change.Wait()
		}
		if q.closed {
			q.mu.Unlock()
			return
		}
		batch, q.items = q.items, batch[:0]
		q.mu.Unlock()
		for i, d := range batch {
			if !q.taken(d) {
				return
			}
			handle(d)
			batch[i] = Delivery{}
		}
	}
}

// taken accounts for a message about to be handled; false after close.
func (q *queue) taken(d Delivery) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.bytes -= len(d.Payload)
	q.change.Broadcast()
	if q.closed {
		return false
	}
	if d.handed != nil {
		d.handed()
	}
	return true
}

func (q *queue) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.items)
}

func (q *queue) close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed, q.items = true, nil
	q.change.Broadcast()
}
