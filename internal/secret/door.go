package secret

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"net/netip"
	"sync"
	"time"
)

// Door checks names and passwords, so that guessing is slow, an unknown name
// costs what a known one costs, and neither memory nor processor can be used
// up from outside. Safe for concurrent use.
//
// Failures are counted per name and address, per name, and per address. A
// person or device that came in from an address before is not held up by
// what others try under the same name; a device that keeps trying a wrong
// password does not hold up its neighbours behind the same address.
type Door struct {
	users map[string]Password
	decoy Password
	work  chan struct{} // bounds the checks at one time, each of which takes memory
	key   []byte

	mu      sync.Mutex
	limiter *limiter
	known   map[pair]time.Time // who came in from where
	recent  map[string]string  // of each user, the keyed hash of the password last found right
}

// pair is a name from an address.
type pair struct {
	name [sha256.Size]byte
	from string
}

const (
	checksAtOnce = 2
	maxKnown     = 1024
)

// Policies of the three counts (judgement): five errors are free, which is a
// person with a new keyboard; then each costs twice the wait of the one before.
func policies() (one, name, address policy) {
	return policy{free: 5, first: time.Second, most: 5 * time.Minute, forgive: 10 * time.Minute},
		policy{free: 20, first: time.Second, most: time.Minute, forgive: time.Minute},
		policy{free: 30, first: time.Second, most: 15 * time.Minute, forgive: 2 * time.Minute}
}

// NewDoor makes a door for the users by name.
func NewDoor(users map[string]Password) *Door {
	d := &Door{
		users: users, work: make(chan struct{}, checksAtOnce), key: make([]byte, 32),
		limiter: newLimiter(), known: map[pair]time.Time{}, recent: map[string]string{},
	}
	rand.Read(d.key)
	d.decoy = Password{memory: memoryKiB, passes: passes, lanes: lanes}
	for _, p := range users { // the dearest, so that no known name takes longer than an unknown one
		if uint64(p.memory)*uint64(p.passes) >= uint64(d.decoy.memory)*uint64(d.decoy.passes) || d.decoy.key == "" {
			d.decoy = p
		}
	}
	// A key that no password gives.
	d.decoy.salt, d.decoy.key = string(d.key[:saltBytes]), string(make([]byte, keyBytes))
	return d
}

// Enter checks a name and a password that come from an address. When wait is
// above zero nothing was checked: too many attempts failed before.
func (d *Door) Enter(now time.Time, name string, password []byte, from netip.Addr) (ok bool, wait time.Duration) {
	who := pair{sha256.Sum256([]byte(name)), network(from)}
	if wait := d.attempt(now, who); wait > 0 {
		return false, wait
	}
	if !d.check(name, password) {
		return false, 0
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.limiter.counts, keyOne(who))
	// What others failed at goes on counting; only this attempt does not.
	d.limiter.pardon(keyAddress(who))
	if _, known := d.known[who]; !known {
		d.limiter.pardon(keyName(who))
	}
	if len(d.known) >= maxKnown {
		oldest := who
		for p, at := range d.known {
			if at.Before(d.known[oldest]) || oldest == who {
				oldest = p
			}
		}
		delete(d.known, oldest)
	}
	d.known[who] = now
	return true, 0
}

// Stranger notes from an address a proof that cannot be guessed and was wrong,
// as a token is, and reports whether it is worth telling: further ones soon
// after are not.
func (d *Door) Stranger(now time.Time, from netip.Addr) (tell bool) {
	_, _, address := policies()
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.limiter.attempt(now, limit{"token/" + network(from), address}) == 0
}

// attempt counts an attempt before it is made, so that many at the same time
// count as many.
func (d *Door) attempt(now time.Time, who pair) time.Duration {
	one, name, address := policies()
	d.mu.Lock()
	defer d.mu.Unlock()
	limits := []limit{{keyOne(who), one}}
	if _, known := d.known[who]; !known {
		limits = append(limits, limit{keyName(who), name})
	}
	// All that comes over loopback may be one proxy with many behind it.
	if who.from != thisMachine {
		limits = append(limits, limit{keyAddress(who), address})
	}
	return d.limiter.attempt(now, limits...)
}

func keyOne(p pair) string     { return "one/" + string(p.name[:]) + p.from }
func keyName(p pair) string    { return "name/" + string(p.name[:]) }
func keyAddress(p pair) string { return "address/" + p.from }

// check does the whole work for every name. A password that was right a moment
// ago, as when all devices come back after a restart of their router, is
// known by a keyed hash and costs little.
func (d *Door) check(name string, password []byte) bool {
	mac := hmac.New(sha256.New, d.key)
	mac.Write([]byte(name))
	mac.Write([]byte{0})
	mac.Write(password)
	sum := mac.Sum(nil)
	d.mu.Lock()
	recent := d.recent[name]
	d.mu.Unlock()
	if hmac.Equal([]byte(recent), sum) {
		return true
	}
	hash, known := d.users[name]
	if !known {
		hash = d.decoy
	}
	d.work <- struct{}{}
	ok := hash.Matches(password) && known
	<-d.work
	if ok {
		d.mu.Lock()
		d.recent[name] = string(sum)
		d.mu.Unlock()
	}
	return ok
}

const thisMachine = "this machine"

// network is what counts as one address: of IPv6 the 64 bits that one
// household or host has for itself.
func network(a netip.Addr) string {
	a = a.Unmap().WithZone("")
	switch {
	case !a.IsValid() || a.IsLoopback():
		return thisMachine
	case a.Is4():
		return a.String()
	}
	p, err := a.Prefix(64)
	if err != nil {
		return a.String()
	}
	return p.String()
}
