package alarm

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// golden holds a text against the one that is kept, or keeps it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name+".txt")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s differs from its golden text (-want +got):\n%s", name, diff)
	}
}

// kindText is what the golden texts of a kind are made of. All data invented.
type kindText struct {
	key               Key
	rule              Rule
	value, peak, over float64 // over: the value on return
	detail            string
	costs             []LotCost
	ahead             bool
	advice            []Advice
	note              string
	unknown           bool
}

func ofLot(k Kind) Key { return Key{Kind: k, Lot: "L-3"} }

func kindTexts() []kindText {
	const day = 24 * time.Hour
	loft := func(k Kind) Key { return Key{Kind: k, Room: "loft"} }
	vent := Advice{Effort: AHandle, Days: 2.1, Text: "open the vent from Sat 12 Jul 22:00 to Sun 13 Jul 07:00 and keep it shut otherwise: outdoors it is expected to be 8.2 K cooler, with the dew point 3.4 K lower than in the room. If the room becomes as cool as outdoors meanwhile, that spares all lots together 2.1 days of life each such night."}
	move := Advice{Effort: AnHour, Days: 38.4, Text: "move milk-1, brown-rice-1 and oats-1 to the cellar: 38.4 days of life gained by 19 Jul 2031; with all 5 lots 44.9."}
	dry := Advice{Effort: AHandle, Grams: 56, Text: "run a dehumidifier: 56 g of water out of the 18 m³ of air bring it to 57 %. Walls and goods hold far more and give it back: run it until the humidity stays there."}
	shut := Advice{Effort: AHandle, Text: "keep windows and vents shut: outdoors the dew point is 17.1 °C and in the room 14.0 °C, so that airing brings water in."}
	box := Advice{Effort: AnHour, Days: 1.2, LuxHours: 28_000, Text: "box the clear containers of L-2 and L-7: in a week like the last day that keeps 28000 lux hours off the food and spares 1.2 days of life."}
	return []kindText{
		{key: loft(Warm), rule: warmRule(), value: 31.4, peak: 31.9, over: 20.3, costs: stores(), ahead: true, advice: []Advice{vent, move}, note: "the shutter is broken"},
		{key: loft(Hot), rule: Rule{Kind: Hot, Limit: 30, Deadband: 1, OnDelay: time.Hour, OffDelay: time.Hour, Priority: High}, value: 33.4, peak: 34, over: 28.2, costs: stores(), ahead: true, advice: []Advice{vent, move}},
		{key: Key{Kind: Damp, Room: "cellar"}, rule: dampRule(), value: 0.718, peak: 0.72, over: 0.56, costs: stores()[:1], advice: []Advice{dry, shut}},
		{key: Key{Kind: Condensing, Room: "cellar"}, rule: Rule{Kind: Condensing, Deadband: 1, OnDelay: time.Hour, OffDelay: 3 * time.Hour, Priority: Medium}, value: 1.8, peak: 2.4, over: -1.4, costs: stores()[:1], advice: []Advice{shut}},
		{key: Key{Kind: Bright, Room: "north-pantry"}, rule: brightRule(), value: 420, peak: 420, over: 2, costs: stores()[1:2], advice: []Advice{box}},
		{key: loft(Ageing), rule: Rule{Kind: Ageing, Limit: 1, Deadband: 0.25, Window: 7 * day, Priority: Medium}, value: 1.4, peak: 1.4, over: 0.7, costs: stores(), ahead: true, advice: []Advice{move}},
		{key: loft(RoundDue), rule: Rule{Kind: RoundDue, Limit: 31 * 86_400, OnDelay: 7 * day, Priority: Low}, value: 38 * 86_400, peak: 38 * 86_400, over: 3600},
		{key: loft(HoursOver), rule: Rule{Kind: HoursOver, Limit: 86_400, Deadband: 21_600, Over: 25, Window: 7 * day, Priority: Medium}, value: 26 * 3600, peak: 26 * 3600, over: 17 * 3600, costs: stores(), ahead: true, advice: []Advice{{Text: "nothing: the week ahead costs all lots together less than a day of life."}}},
		{key: loft(Ahead), rule: Rule{Kind: Ahead, Limit: 0.5, Deadband: 0.2, OffDelay: 12 * time.Hour, Over: 24, Window: 48 * time.Hour, Priority: Medium}, value: 0.81, peak: 0.84, over: 0.22, costs: coming(), ahead: true, detail: "If it comes, then most likely about Sun 13 Jul 15:00; the warmest hour of the week to be expected then is 29.6 °C.", advice: []Advice{vent, move}},
		{key: Key{Kind: Warm, Room: "loft", Sensor: "loft-3"}, rule: warmRule(), value: 31.4, peak: 31.9, over: 20.3},
		{key: Key{Kind: Silent, Room: "loft", Sensor: "loft-1"}, rule: silentRule(), value: 5400, peak: 5400, over: 0},
		{key: ofLot(CoreWarm), rule: Rule{Kind: CoreWarm, Limit: 19, Deadband: 0.5, OffDelay: time.Hour, Priority: Medium}, value: 19.6, peak: 20.1, over: 18.2},
		{key: ofLot(MoistureAmber), rule: Rule{Kind: MoistureAmber, Limit: 0.6, Deadband: 0.01, OnDelay: day, OffDelay: 7 * day, Priority: Medium}, value: 0.61, peak: 0.612, over: 0.58, detail: "What comes of it is mould."},
		{key: ofLot(MoistureRed), rule: Rule{Kind: MoistureRed, Limit: 0.65, Deadband: 0.01, OnDelay: 6 * time.Hour, OffDelay: 7 * day, Priority: High}, value: 0.66, peak: 0.66, over: 0.63, detail: "What comes of it is mould."},
		{key: ofLot(OxygenSpent), rule: Rule{Kind: OxygenSpent, Limit: 0.02, Deadband: 0.05, Priority: Low}, value: 0, peak: 0, over: 0.5, detail: "The gas inside holds about 0.4 % oxygen. It passes 1 % about 3 Aug 2031. It passes 5 % about 11 Nov 2031."},
		{key: ofLot(AbsorberSmall), rule: Rule{Kind: AbsorberSmall, Limit: 1, Priority: Medium}, value: 0.48, peak: 0.48, over: 1, detail: "By its packing: absorber too small: 40 of 83 cm3, oxygen rests at about 11 %."},
		{key: ofLot(HoldIncomplete), rule: Rule{Kind: HoldIncomplete, Limit: 60 * 86_400, Priority: Medium}, value: 61 * 86_400, peak: 61 * 86_400, over: 0, detail: "By what is known: low-oxygen hold 0 % complete."},
		{key: ofLot(HoldComplete), rule: Rule{Kind: HoldComplete, Limit: 0.5, Priority: Low}, value: 1, peak: 1, over: 0, detail: "By what is known: low-oxygen hold complete 15 days after packing, if the seal held."},
		{key: ofLot(Quality), rule: Rule{Kind: Quality, Limit: 0.25, Deadband: 0.02, OnDelay: day, OffDelay: day, Priority: Medium}, value: 0.243, peak: 0.243, over: 0.31, detail: "What limits it is staling. It is projected to end on 4 Feb 2032.", unknown: true},
		{key: ofLot(EndsEarly), rule: Rule{Kind: EndsEarly, Limit: 0.25, Deadband: 0.05, OnDelay: 7 * day, OffDelay: 7 * day, Priority: Low}, value: 0.31, peak: 0.31, over: 0.17, detail: "It was to last until 1 May 2036 and is projected to end on 12 Oct 2034, by staling."},
		{key: Key{Kind: Clock}, rule: Rule{Kind: Clock, Limit: 900, Priority: High}, value: 960, peak: 1500, over: 0},
		{key: Key{Kind: Disk}, rule: Rule{Kind: Disk, Limit: 500e6, Deadband: 100e6, OffDelay: time.Hour, Priority: Medium}, value: 340e6, peak: 310e6, over: 12e9},
		{key: Key{Kind: Export}, rule: Rule{Kind: Export, Limit: 7200, Priority: Low}, value: 7260, peak: 9000, over: 0},
		{key: Key{Kind: Delivery}, rule: Rule{Kind: Delivery, Limit: 21_600, Priority: Medium}, value: 21_660, peak: 40_000, over: 0},
	}
}

// coming is the cost of heat that has not come yet.
func coming() []LotCost {
	out := stores()
	for i := range out {
		out[i].Days = 0
	}
	return out
}

// TestKindsGolden holds the notices of every kind as a keeper gets them, raised,
// and on return.
func TestKindsGolden(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[Kind]bool{}
	for _, x := range kindTexts() {
		seen[x.key.Kind] = true
		food, room := "", ""
		if x.key.Lot != "" {
			food, room = "White rice", "loft"
		}
		both := ""
		for _, ev := range []NoticeEvent{Raised, Returned} {
			v := x.value
			if ev == Returned {
				v = x.over
			}
			c := spell(x.key, x.rule, ev, v, x.peak)
			ctx := Context{Costs: x.costs, Ahead: x.ahead, Until: noon().Add(7*24*time.Hour + 5*time.Hour), Food: food, Room: room}
			if ev == Raised {
				ctx.Advice, ctx.Detail, c.Unknown = x.advice, x.detail, x.unknown
				if x.note != "" {
					c.Note, c.NoteBy, c.NoteAt = x.note, "mara", noon().Add(3*time.Hour)
				}
			}
			n := Compose("Larch House", c, x.rule, ev, c.Changed, zone, ctx)
			both += "Subject: " + n.Subject + "\n\n" + n.Body + "\n"
			if got := length(n.Subject); got > subjectWidth {
				t.Errorf("%s: a subject of %d characters: %s", x.key, got, n.Subject)
			}
			if n.Subject != Subject("Larch House", c, x.rule, ev, c.Changed, zone, ctx) {
				t.Errorf("%s: two subjects", x.key)
			}
		}
		name := "kind-" + string(x.key.Kind)
		if x.key.Kind == Warm && x.key.Sensor != "" {
			name += "-shelf"
		}
		golden(t, name, both)
	}
	for _, k := range Kinds() {
		if !seen[k] && !k.fault() { // whose texts TestFaultTexts holds
			t.Errorf("%s has no golden text", k)
		}
	}
}

// TestEveryKindHasItsWords: subject, return, what it is, what to do, how sure.
func TestEveryKindHasItsWords(t *testing.T) {
	for _, k := range Kinds() {
		if !k.worded() {
			if w := (Rule{Kind: k}).words(); w.trouble == "beyond its limit" {
				t.Errorf("%s has no words", k)
			}
			continue
		}
		w := (draft{c: Condition{Key: Key{Kind: k}}, r: Rule{Kind: k}}).phrases()
		if w.subject == "" || w.over == "" || w.what == "" || w.was == "" || w.advice == "" || w.after == "" || w.how == "" {
			t.Errorf("%s lacks words: %+v", k, w)
		}
	}
}
