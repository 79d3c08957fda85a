package alarm

import (
	"strings"
	"testing"
	"time"
)

// letter is an event of the bounded check, with the time that passes before.
type letter struct {
	name string
	pass time.Duration
	do   func(*bench) deed
}

// letterStep is the time between two letters: delays are two of them, so that each
// can run out, be broken, and be met exactly.
const letterStep = 10 * time.Minute

func seeing(name string, v float64) letter {
	return letter{name, letterStep, func(b *bench) deed { return b.see(b.now, v) }}
}

// readingLetters are all that comes in by itself.
func readingLetters() []letter {
	return []letter{
		seeing("hot", 25), seeing("deadband", 23.5), seeing("cool", 22),
		{"missing", letterStep, (*bench).miss},
		{"tick", letterStep, (*bench).tick},
		{"down 30 min", 3 * letterStep, (*bench).tick},
	}
}

// actLetters are all that people do.
func actLetters() []letter {
	return []letter{
		{"acknowledge", 0, (*bench).acknowledge},
		{"shelve 20 min", 0, func(b *bench) deed { return b.shelve(b.now.Add(2 * letterStep)) }},
		{"unshelve", 0, (*bench).unshelve},
		{"remove", 0, (*bench).remove},
		{"return", 0, (*bench).putBack},
	}
}

// Every sequence of events there is, up to a length, over a small alphabet:
// the machine does what the model says. The first alphabet has all readings
// and is about the delays; the second is about the life cycle.
func TestEverySequence(t *testing.T) {
	allowed := diagram()
	f := func(name string, length, want int, r Rule, letters []letter) {
		t.Run(name, func(t *testing.T) {
			n := 0
			var walk func(b bench, path []string)
			walk = func(b bench, path []string) {
				if len(path) == length || t.Failed() {
					return
				}
				for _, l := range letters {
					next, here := b, append(path[:len(path):len(path)], l.name)
					next.now = b.now.Add(l.pass)
					n++
					if err := next.take(allowed, l.do(&next)); err != nil {
						t.Fatalf("after %s: %v\nbefore: %+v\nafter:  %+v", strings.Join(here, ", "), err, b.c, next.c)
					}
					if len(here) <= 3 {
						restart(t, next.c)
					}
					walk(next, here)
				}
			}
			walk(newBench(r, noon()), nil)
			if n != want {
				t.Errorf("%d sequences, want %d", n, want)
			}
		})
	}
	both := Rule{Kind: Warm, Limit: 24, Deadband: 1, OnDelay: 2 * letterStep, OffDelay: 2 * letterStep, Stale: 15 * time.Minute}
	at := Rule{Kind: Warm, Limit: 24, Deadband: 1}
	reading, act := readingLetters(), actLetters()
	f("delays", 7, sequences(7, 7), both, append(reading, act[0]))
	f("life cycle", 6, sequences(9, 6), at, append([]letter{reading[0], reading[2], reading[3], reading[4]}, act...))
	f("all", 5, sequences(11, 5), both, append(reading, act...))
}

// sequences counts those of up to a length over so many letters.
func sequences(letters, length int) (n int) {
	for k, p := 1, letters; k <= length; k, p = k+1, p*letters {
		n += p
	}
	return n
}
