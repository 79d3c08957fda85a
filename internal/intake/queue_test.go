package intake

import (
	"sync"
	"testing"
	"time"
)

// TestQueueDropsOnlyQoS0: what the broker would not deliver again is dropped
// beyond the limit, what it would is kept.
func TestQueueDropsOnlyQoS0(t *testing.T) {
	q := newQueue(2)
	for range 5 {
		q.push(Delivery{QoS: 0})
		q.push(Delivery{QoS: 1})
	}
	if q.len() != 6 || q.dropped.Load() != 4 {
		t.Errorf("holds %d and dropped %d, want 6 and 4", q.len(), q.dropped.Load())
	}
}

// TestQueueBoundsBytes: beyond the bound push waits until the handler has
// taken messages, or until close.
func TestQueueBoundsBytes(t *testing.T) {
	q := newQueue(100)
	big := make([]byte, maxWaiting/2+1)
	gate := make(chan struct{})
	var work sync.WaitGroup
	pushed := make(chan int, 5)
	work.Go(func() {
		for i := range 5 {
			q.push(Delivery{QoS: 1, Payload: big})
			pushed <- i
		}
	})
	<-pushed
	<-pushed // now above the bound
	select {
	case i := <-pushed:
		t.Fatalf("push %d did not wait", i)
	case <-time.After(20 * time.Millisecond):
	}
	work.Go(func() { q.deliver(func(Delivery) { <-gate }) })
	gate <- struct{}{}
	<-pushed // room again
	q.close()
	close(gate)
	work.Wait() // neither side hangs
}
