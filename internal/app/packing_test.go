package app_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"dryhold/internal/barrier"
	"dryhold/internal/lot"
	"dryhold/internal/packing"
	"dryhold/internal/web"
)

// The advice of a running daemon tells the life of the lot in each of its rooms
// under their forecast, and that it looked ahead as the lot then does.
func TestPackingAdviceOfADaemon(t *testing.T) {
	h, now := reviewedHouse(t)
	post := func(q packing.Question) (a packing.Advice) {
		t.Helper()
		code, answer := h.post("/api/v1/packing/advice", q)
		if err := json.Unmarshal([]byte(answer), &a); err != nil || code != http.StatusOK {
			t.Fatalf("%d %s: %v", code, answer, err)
		}
		return a
	}
	q := packing.Question{Food: "white-rice", Container: "pet-2l", Amount: "16 kg", Moisture: "9.5 %", Absorber: "500", Leak: "held"}
	a := post(q)
	if len(a.Lives) != 2 || len(a.Options) == 0 || a.Fill.Count != 10 {
		t.Fatalf("lives %+v, options %+v", a.Lives, a.Options)
	}
	for _, l := range a.Lives {
		if !l.Known || l.Days.Low <= 0 || l.Days.Low > l.Days.Likely || l.Days.Likely > l.Days.High {
			t.Errorf("life %+v", l)
		}
	}
	// The same lot, registered: its projected end is the life that was told.
	added := web.AddLot{By: "Ada", Packing: lot.Packing{
		Food: "white-rice", Container: "pet-2l", Count: 10, NetMassKG: a.Fill.EachKG.Likely, PackedAt: now, MoistureWB: 0.095, LeakTest: lot.LeakHeld,
		Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 500}, Shading: lot.Boxed, Room: "cellar",
	}}
	if code, answer := h.post("/api/v1/lots", added); code != http.StatusCreated {
		t.Fatalf("%d %s", code, answer)
	}
	l := lotNamed(t, h.app.Snapshot(), "L-4") // after the three of the house
	if l.Seal != barrier.Verified {
		t.Errorf("the seal is %v after a leak test that held", l.Seal)
	}
	if _, told := get(t, h.app.URL()+"/api/v1/lots/L-4/explanation"); !strings.Contains(told, "Seal verified, by the leak test at packing.") {
		t.Error("the explanation does not tell of the leak test")
	}
	for _, life := range a.Lives {
		if got := l.End.Sub(l.AsOf).Hours() / 24; life.Room == "cellar" && (got < 0.97*life.Days.Likely || got > 1.03*life.Days.Likely) {
			t.Errorf("the lot ends in %.0f days, the advice said %.0f", got, life.Days.Likely)
		}
	}
	if a := post(packing.Question{Food: "white-rice", Container: "pet-2l", Room: "loft"}); len(a.Lives) != 1 || a.Lives[0].Room != "loft" {
		t.Errorf("lives %+v", a.Lives)
	}
	if code, answer := h.post("/api/v1/packing/advice", packing.Question{Food: "white-rice", Container: "pet-2l", Room: "lofft"}); code != http.StatusNotFound || !strings.Contains(answer, "loft") {
		t.Errorf("%d %s", code, answer)
	}
}

// What may poison is refused, and with a reason taken, kept and told, also after
// a restart.
func TestLotAgainstTheAdvice(t *testing.T) {
	h, _ := reviewedHouse(t)
	l := lotOf("cellar")
	l.Food, l.MoistureWB, l.Treatment = "dry-beans", 0.16, lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}
	if code, answer := h.post("/api/v1/lots", l); code != http.StatusUnprocessableEntity || !strings.Contains(answer, "red line") || !strings.Contains(answer, "override") {
		t.Errorf("%d %s", code, answer)
	}
	l.Override = "eaten within the month"
	code, answer := h.post("/api/v1/lots", l)
	if code != http.StatusCreated {
		t.Fatalf("%d %s", code, answer)
	}
	h.restart()
	view := lotNamed(t, h.app.Snapshot(), "L-4")
	if view.Packing.Override != l.Override || !strings.Contains(view.Caution, "Packed against the packing advice, since: eaten within the month.") || !strings.Contains(view.Caution, "Botulism") {
		t.Errorf("override %q, caution %q", view.Packing.Override, view.Caution)
	}
	_, acts := get(t, h.app.URL()+"/api/v1/audit")
	if !strings.Contains(acts, "eaten within the month") {
		t.Errorf("the audit does not tell it: %s", acts)
	}
}
