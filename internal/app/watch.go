package app

import (
	"sync"

	"dryhold/internal/engine"
)

// news tells any number of readers that a state was published, and waits for
// none of them: who is slow finds the newest state, not a queue of them.
type news struct {
	mu   sync.Mutex
	next chan struct{} // closed at the next publication; nil while nobody waits
}

// Changed gives a channel that is closed when the next state is published.
// Take it before Snapshot, so that none slips by in between.
func (n *news) Changed() <-chan struct{} {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.next == nil {
		n.next = make(chan struct{})
	}
	return n.next
}

func (n *news) wake() {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.next != nil {
		close(n.next)
		n.next = nil
	}
}

// show publishes a state.
func (a *App) show(s *engine.Snapshot) {
	a.published.Store(s)
	a.news.wake()
}
