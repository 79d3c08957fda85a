package secret

import (
	"cmp"
	"slices"
	"time"
)

// policy is how failures are met.
type policy struct {
	free        int           // failures without a wait
	first, most time.Duration // the wait doubles from first to most
	forgive     time.Duration // time after which one failure is forgotten
}

// limit is a key with its policy.
type limit struct {
	key string
	policy
}

// limiter counts failures by key, in bounded memory. Its owner locks it.
type limiter struct {
	counts map[string]*count
}

type count struct {
	n     int
	at    time.Time // of the last one
	until time.Time // no attempt before
	limit policy
}

// maxCounts bounds the keys kept; the least guilty is forgotten first.
const maxCounts = 4096

func newLimiter() *limiter { return &limiter{map[string]*count{}} }

// attempt counts an attempt under all limits, or, where one of them asks for
// patience, counts nothing and gives the longest wait.
func (l *limiter) attempt(now time.Time, limits ...limit) (wait time.Duration) {
	for _, x := range limits {
		c := l.counts[x.key]
		if c == nil {
			continue
		}
		c.forgive(now)
		// A clock that was set back must not lock anybody out.
		if left := min(c.until.Sub(now), c.limit.most); left > wait {
			wait = left
		}
	}
	if wait > 0 {
		return wait
	}
	for _, x := range limits {
		c := l.counts[x.key]
		if c == nil {
			l.makeRoom(now)
			c = &count{limit: x.policy}
			l.counts[x.key] = c
		}
		c.n++
		c.at = now
		if over := c.n - x.free; over >= 0 {
			// The exponent is bounded so that the shift cannot overflow.
			c.until = now.Add(min(x.first<<min(over, 20), x.most))
		}
	}
	return 0
}

// pardon takes one attempt back, which turned out to be right.
func (l *limiter) pardon(key string) {
	c := l.counts[key]
	if c == nil {
		return
	}
	if c.n--; c.n < c.limit.free {
		c.until = time.Time{}
	}
	if c.n <= 0 {
		delete(l.counts, key)
	}
}

// forgive forgets failures by the time since the last of them.
func (c *count) forgive(now time.Time) {
	steps := int(now.Sub(c.at) / c.limit.forgive)
	if steps <= 0 {
		return
	}
	c.n = max(0, c.n-steps)
	c.at = c.at.Add(time.Duration(steps) * c.limit.forgive)
}

// makeRoom forgets what is forgiven and, if that is not enough, a quarter of
// the counts, those with the fewest failures and of them the oldest: so that
// one who fills the memory pays for a walk through it once in a thousand
// times.
func (l *limiter) makeRoom(now time.Time) {
	if len(l.counts) < maxCounts {
		return
	}
	keys := make([]string, 0, len(l.counts))
	for k, c := range l.counts {
		if c.forgive(now); c.n == 0 {
			delete(l.counts, k)
			continue
		}
		keys = append(keys, k)
	}
	if len(keys) <= maxCounts*3/4 {
		return
	}
	slices.SortFunc(keys, func(a, b string) int {
		x, y := l.counts[a], l.counts[b]
		return cmp.Or(cmp.Compare(x.n, y.n), x.at.Compare(y.at))
	})
	for _, k := range keys[:maxCounts/4] {
		delete(l.counts, k)
	}
}
