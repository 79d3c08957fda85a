package secret

import (
	"fmt"
	"net/netip"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func noon() time.Time { return time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC) }

// Documentation addresses of RFC 5737 and RFC 3849.
func at(s string) netip.Addr { return netip.MustParseAddr(s) }

func TestDoor(t *testing.T) {
	d := NewDoor(map[string]Password{"mara": cheap("oats"), "ben": cheap("beans")})
	here, there := at("192.0.2.7"), at("198.51.100.9")
	now := noon()
	enter := func(name, password string, from netip.Addr, wantOK bool, wantWait time.Duration) {
		t.Helper()
		if ok, wait := d.Enter(now, name, []byte(password), from); ok != wantOK || wait != wantWait {
			t.Errorf("%s from %s: %v, wait %s; want %v, %s", name, from, ok, wait, wantOK, wantWait)
		}
	}
	enter("mara", "oats", here, true, 0)
	enter("mara", "beans", here, false, 0)
	enter("mara", "oats", here, true, 0) // and forgets the failure
	enter("nobody", "oats", here, false, 0)
	enter("", "", here, false, 0)
	for range 5 {
		enter("mara", "wrong", here, false, 0)
	}
	enter("mara", "oats", here, false, time.Second) // even the right one waits
	enter("mara", "oats", there, true, 0)
	now = now.Add(time.Second)
	enter("mara", "wrong", here, false, 0)
	enter("mara", "wrong", here, false, 2*time.Second)
	now = now.Add(2 * time.Second)
	enter("mara", "oats", here, true, 0)
	enter("mara", "wrong", here, false, 0)
}

// Unknown names are held up like known ones, so that neither tells.
func TestUnknownNameIsHeldUpAlike(t *testing.T) {
	d := NewDoor(map[string]Password{"mara": cheap("oats")})
	now := noon()
	for i := range 12 {
		for _, from := range []string{"192.0.2.7", "192.0.2.8"} {
			_, known := d.Enter(now, "mara", []byte("wrong"), at(from))
			_, unknown := d.Enter(now, "nobody", []byte("wrong"), at(from))
			if known != unknown {
				t.Fatalf("attempt %d from %s: known waits %s, unknown %s", i, from, known, unknown)
			}
		}
	}
}

// Somebody who tries a name from many addresses does not keep its owner out,
// who came in before; and makes no way around the wait for himself.
func TestOwnerIsNotLockedOut(t *testing.T) {
	d := NewDoor(map[string]Password{"mara": cheap("oats")})
	now, home := noon(), at("192.0.2.7")
	if ok, _ := d.Enter(now, "mara", []byte("oats"), home); !ok {
		t.Fatal("refused")
	}
	held := 0
	for i := range 60 {
		if _, wait := d.Enter(now, "mara", []byte("wrong"), netip.AddrFrom4([4]byte{203, 0, 113, byte(i)})); wait > 0 {
			held++
		}
	}
	if held != 40 { // all beyond the 20 free ones
		t.Errorf("%d of 60 attempts were held up", held)
	}
	if ok, wait := d.Enter(now, "mara", []byte("oats"), home); !ok {
		t.Errorf("the owner waits %s", wait)
	}
	if ok, _ := d.Enter(now, "mara", []byte("oats"), at("198.51.100.1")); ok {
		t.Error("a new address does not wait")
	}
}

// One host that tries many names is held up by its address; of IPv6 the /64
// counts. A proxy on the same machine is not.
func TestAddressIsHeldUp(t *testing.T) {
	f := func(from func(i int) string, wantHeld int) {
		t.Helper()
		d := NewDoor(map[string]Password{"mara": cheap("oats")})
		held := 0
		for i := range 100 {
			if _, wait := d.Enter(noon(), fmt.Sprint("name", i), []byte("wrong"), at(from(i))); wait > 0 {
				held++
			}
		}
		if held != wantHeld {
			t.Errorf("%s: %d of 100 held up, want %d", from(0), held, wantHeld)
		}
	}
	f(func(int) string { return "192.0.2.7" }, 70)
	f(func(i int) string { return fmt.Sprintf("2001:db8::%x", i+1) }, 70)
	f(func(i int) string { return fmt.Sprintf("2001:db8:0:%x::1", i+1) }, 0)
	f(func(int) string { return "127.0.0.1" }, 0)
}

// A device that tries a wrong password each second for a day does not hold up
// another one behind the same address.
func TestNeighbourIsNotHeldUp(t *testing.T) {
	d := NewDoor(map[string]Password{"a": cheap("right"), "b": cheap("right")})
	now, gateway, checked := noon(), at("192.0.2.7"), 0
	for range 24 * 3600 {
		now = now.Add(time.Second)
		if _, wait := d.Enter(now, "a", []byte("wrong"), gateway); wait == 0 {
			checked++
		}
	}
	if ok, wait := d.Enter(now, "b", []byte("right"), gateway); !ok {
		t.Errorf("the neighbour waits %s", wait)
	}
	if checked > 400 {
		t.Errorf("%d passwords were checked in a day", checked)
	}
}

// Attempts at the same time count like attempts one after the other.
func TestParallelAttempts(t *testing.T) {
	d := NewDoor(map[string]Password{"mara": cheap("oats")})
	var mu sync.Mutex
	var all sync.WaitGroup
	checked := 0
	for range 50 {
		all.Go(func() {
			_, wait := d.Enter(noon(), "mara", []byte("wrong"), at("192.0.2.7"))
			mu.Lock()
			defer mu.Unlock()
			if wait == 0 {
				checked++
			}
		})
	}
	all.Wait()
	if checked != 5 {
		t.Errorf("%d of 50 were checked, want 5", checked)
	}
}

func TestStranger(t *testing.T) {
	d := NewDoor(nil)
	told := 0
	for range 1000 {
		if d.Stranger(noon(), at("192.0.2.7")) {
			told++
		}
	}
	if told != 30 {
		t.Errorf("%d of 1000 are told", told)
	}
}

// Whatever is tried, memory is bounded, no wait is longer than its policy
// says, and a clock that goes back locks nobody out.
func TestLimiterBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, now := newLimiter(), noon()
		p := policy{free: 3, first: time.Second, most: time.Minute, forgive: time.Minute}
		for range rapid.IntRange(1, 300).Draw(t, "attempts") {
			now = now.Add(time.Duration(rapid.IntRange(-3600, 3600).Draw(t, "step")) * time.Second)
			key := fmt.Sprint(rapid.IntRange(0, 3).Draw(t, "key"))
			if wait := l.attempt(now, limit{key, p}); wait < 0 || wait > p.most {
				t.Fatalf("wait %s", wait)
			}
		}
		if wait := l.attempt(now.Add(p.most), limit{"0", p}); wait > 0 && now.Add(p.most).After(l.counts["0"].until) {
			t.Fatalf("still waits %s", wait)
		}
	})
	l := newLimiter()
	p := policy{free: 3, first: time.Second, most: time.Minute, forgive: time.Hour}
	for range 10 {
		l.attempt(noon(), limit{"guilty", p})
	}
	for i := range 3 * maxCounts {
		l.attempt(noon(), limit{fmt.Sprint(i), p})
	}
	if len(l.counts) > maxCounts {
		t.Errorf("%d counts are kept", len(l.counts))
	}
	if l.counts["guilty"] == nil {
		t.Error("the guiltiest was forgotten before the others")
	}
}
