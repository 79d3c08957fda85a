package engine

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/lot"
)

// do operates on the warm alarm of the loft, with the effects checked off.
func (p *play) do(h float64, do, note string) (Effects, error) {
	op := Operation{Do: do, Key: warmLoft, By: "mara", Note: note}
	if do == alarm.ActShelve {
		op.Until = at(h + 8)
	}
	fx, err := p.e.Operate(at(h), op)
	return p.take(fx), err
}

// Each act moves the alarm, is told as an event with who and why, and an alarm
// that comes back active is told of anew.
func TestOperate(t *testing.T) {
	p := newPlay(t, config())
	p.course("loft-1", 0, 4, 30)
	f := func(h float64, do, note string, from, to alarm.State, notices ...string) {
		t.Helper()
		fx, err := p.do(h, do, note)
		if err != nil {
			t.Fatalf("%s: %v", do, err)
		}
		if len(fx.Transitions) != 1 {
			t.Fatalf("%s: events %+v", do, fx.Transitions)
		}
		ev := fx.Transitions[0]
		want := alarm.Event{Key: warmLoft, From: from, To: to, At: at(h), Value: ev.Value, Peak: ev.Peak, Spell: ev.Spell, Do: do, By: "mara", Note: note}
		if do == alarm.ActShelve {
			want.Until = at(h + 8)
		}
		if d := cmp.Diff(want, ev); d != "" || ev.Value != 30 {
			t.Errorf("%s (-want +got):\n%s", do, d)
		}
		var told []string
		for _, n := range fx.Notices {
			told = append(told, n.Alarm.String()+" "+string(n.Event))
		}
		if d := cmp.Diff(notices, told); d != "" {
			t.Errorf("%s, notices (-want +got):\n%s", do, d)
		}
		if got := p.e.Condition(warmLoft); note != "" && do != alarm.ActAcknowledge && (got.Note != note || got.NoteBy != "mara") {
			t.Errorf("%s: noted %q by %q", do, got.Note, got.NoteBy)
		}
	}
	f(4, alarm.ActAnnotate, "compressor failed", alarm.ActiveUnacknowledged, alarm.ActiveUnacknowledged)
	f(4.1, alarm.ActAcknowledge, "seen", alarm.ActiveUnacknowledged, alarm.ActiveAcknowledged)
	f(4.2, alarm.ActShelve, "painters are in", alarm.ActiveAcknowledged, alarm.Shelved)
	f(4.3, alarm.ActShelve, "", alarm.Shelved, alarm.Shelved)
	// Shelved it says nothing, and is shown.
	before := len(p.notices)
	p.course("loft-1", 4.31, 4.32, 31)
	if s := p.e.Snapshot(at(4.35)); len(p.notices) != before || len(s.Alarms) != 1 || s.Alarms[0].State != alarm.Shelved || !s.Alarms[0].Active ||
		s.Alarms[0].Value != 31 || s.Alarms[0].Note != "painters are in" || !s.Alarms[0].ShelvedUntil.Equal(at(12.3)) || s.Alarms[0].AsideBy != "mara" {
		t.Errorf("shelved: %d notices more, shown as %+v", len(p.notices)-before, s.Alarms)
	}
	p.course("loft-1", 4.36, 4.37, 30)
	f(4.4, alarm.ActUnshelve, "", alarm.Shelved, alarm.ActiveUnacknowledged, "warm/loft raised")
	f(4.5, alarm.ActOutOfService, "the loft is empty", alarm.ActiveUnacknowledged, alarm.OutOfService)
	f(4.6, alarm.ActReturn, "", alarm.OutOfService, alarm.ActiveUnacknowledged, "warm/loft raised")
	if c := p.e.Condition(warmLoft); c.Spell != 3 {
		t.Errorf("spell %d, want 3", c.Spell)
	}
	// What comes by itself is an event too, without a name.
	fx := p.take(p.e.Observe(at(5), nil))
	if len(fx.Transitions) != 0 {
		t.Errorf("events of nothing: %+v", fx.Transitions)
	}
}

func TestOperateRefused(t *testing.T) {
	p := newPlay(t, config())
	p.course("loft-1", 0, 4, 30)
	before := p.e.Condition(warmLoft)
	f := func(op Operation, kind error, text string) {
		t.Helper()
		fx, err := p.e.Operate(at(4), op)
		if !errors.Is(err, kind) || !strings.Contains(err.Error(), text) {
			t.Errorf("%+v: %v, want %q", op, err, text)
		}
		if len(fx.Conditions)+len(fx.Transitions)+len(fx.Notices) > 0 || p.e.Condition(warmLoft) != before {
			t.Errorf("%+v is refused, and moved something", op)
		}
	}
	of := func(do string) Operation { return Operation{Do: do, Key: warmLoft, By: "mara"} }
	f(Operation{Do: alarm.ActAcknowledge, Key: alarm.Key{Kind: alarm.Warm, Room: "lof"}, By: "mara"}, lot.ErrNotFound, `did you mean "warm/loft"?`)
	f(Operation{Do: alarm.ActAcknowledge, Key: alarm.Key{Kind: alarm.Quality, Lot: "L-1000000000000"}, By: "mara"}, lot.ErrNotFound, "no alarm condition quality/L-1000000000000")
	for _, do := range alarm.Acts() {
		op := of(do)
		op.By = " "
		f(op, lot.ErrInvalid, "without a name")
	}
	f(of(alarm.ActShelve), lot.ErrInvalid, "the end must come after now")
	long := of(alarm.ActShelve)
	long.Until = at(4 + 24*8)
	f(long, lot.ErrInvalid, "longer than 7 days")
	f(of(alarm.ActUnshelve), lot.ErrInvalid, "is active unacknowledged")
	f(of(alarm.ActReturn), lot.ErrInvalid, "is active unacknowledged")
	f(of(alarm.ActOutOfService), lot.ErrInvalid, "without a reason")
	f(of(alarm.ActAnnotate), lot.ErrInvalid, "with nothing")
	f(of("shelf"), lot.ErrInvalid, `did you mean "shelve"?`)
	other := of(alarm.ActAcknowledge)
	other.Spell = "9/20260701T000000Z"
	f(other, lot.ErrInvalid, "another one has come since")
	mine := of(alarm.ActAcknowledge)
	mine.Spell = before.SpellKey()
	if _, err := p.e.Operate(at(4), mine); err != nil {
		t.Errorf("of the present spell: %v", err)
	}
}
