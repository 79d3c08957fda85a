package packing_test

import (
	"strings"
	"testing"

	"dryhold/internal/lot"
	"dryhold/internal/packing"
)

// Every food of the shipped catalog has its line, and wheat and milk are named:
// of the nine allergens of labels in the United States (FALCPA and FASTER act,
// from memory; models 13) the ones these foods are.
func TestLabelsOfTheCatalog(t *testing.T) {
	for _, f := range shipped(t).Foods {
		x := packing.Label(f.ID)
		if !x.Known {
			t.Errorf("%s: no label", f.ID)
		}
		text := strings.Join(x.Allergens, " ")
		for word, name := range map[string]string{"wheat": "wheat", "flour": "wheat", "pasta": "wheat", "semolina": "wheat", "milk": "milk"} {
			if strings.Contains(f.ID, word) && !strings.Contains(text, name) {
				t.Errorf("%s does not name %s", f.ID, name)
			}
		}
		if strings.Contains(f.ID, "beans") && !strings.Contains(x.Cooking, "boil hard") {
			t.Errorf("%s: %q", f.ID, x.Cooking)
		}
	}
	if packing.Label("grandmother's mix").Known {
		t.Error("a food of the keeper's own has a label of ours")
	}
	full, short := packing.LabelCaution(lot.Packing{Treatment: lot.Treatment{Kind: lot.Absorber}, MoistureWB: 0.16})
	for _, text := range []string{full, short} {
		for _, want := range []string{"AGAINST ADVICE", "not food", "throw it out"} {
			if !strings.Contains(text, want) {
				t.Errorf("%q lacks %q", text, want)
			}
		}
	}
}
