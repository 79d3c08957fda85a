package tabular

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/lot"
)

const lotHead = "food,container,count,mass_kg,packed,room,moisture,treatment,absorber,shading,note\n"

func TestReadLots(t *testing.T) {
	noon := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	rice := lot.Packing{
		Food: "white-rice", Container: "pet-2l", Count: 12, NetMassKG: 1.6, PackedAt: noon, MoistureWB: 0.115, Room: "cellar",
		Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}, Shading: lot.Boxed, Note: "from the mill",
	}
	f := func(table string, want ...LotRow) {
		t.Helper()
		rows, problems, refused, err := ReadLots(strings.NewReader(table))
		if err != nil || refused != 0 {
			t.Errorf("%q: %v, %v", table, err, problems)
		}
		if d := cmp.Diff(want, rows); d != "" {
			t.Errorf("%q (-want +got):\n%s", table, d)
		}
	}
	f(lotHead+"white-rice,pet-2l,12,1.6,2026-03-14,cellar,11.5,absorber,300,boxed,from the mill\n", LotRow{2, rice})
	f("\uFEFF"+lotHead+"# a remark\n\nwhite-rice, pet-2l ,12,1.6 kg,2026-03-14,cellar,11.5 %,,300 cm3,boxed,from the mill\n", LotRow{4, rice})
	f(strings.ReplaceAll(lotHead, ",", ";")+"white-rice;pet-2l;12;1,6;2026-03-14;cellar;11,5;absorber;300;boxed;from the mill\n", LotRow{2, rice})
	f(strings.ReplaceAll(lotHead, ",", "\t")+"white-rice\tpet-2l\t12\t1.6\t2026-03-14T13:00:00+01:00\tcellar\t11.5\tabsorber\t300\tboxed\tfrom the mill\n", LotRow{2, rice})
	forty := 40.0 // not folded by the compiler
	plain := lot.Packing{
		Food: "sugar", Container: "pail-20l", Count: 1, NetMassKG: forty * poundKG, PackedAt: noon, Room: "loft",
		Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.OpenShelf,
	}
	f("Food,Container,Count,Mass lb,Packed,Room\nsugar,pail-20l,1,40,2026-03-14,loft\n", LotRow{2, plain})
	f(LotTemplate())
}

func TestReadLotsRefuses(t *testing.T) {
	f := func(table string, want ...string) {
		t.Helper()
		_, problems, refused, err := ReadLots(strings.NewReader(table))
		var got []string
		if err != nil {
			got = strings.Split(err.Error(), "\n")
		}
		for _, p := range problems {
			got = append(got, p.String())
		}
		if d := cmp.Diff(want, got); d != "" || err == nil && refused != len(want) {
			t.Errorf("%q, %d refused (-want +got):\n%s", table, refused, d)
		}
	}
	f("", "the table is empty: it needs a header and rows; dryhold lots import --template shows one")
	f("food,container,count,mass,packed,room\n",
		`the header has a column "mass", which is none of a lot: it is one of `+strings.Join(LotColumns(), ", "),
		`the header needs one of the columns "mass_kg" and "mass_lb": the net mass of each container`)
	f("food,container,cuont,mass_kg,mass_lb,packed,packed,room\n",
		`the header has a column "cuont", which is none of a lot: did you mean "count"?`,
		`the header has the column "packed" twice`, `the header has no column "count": every lot needs it`,
		`the header needs one of the columns "mass_kg" and "mass_lb": the net mass of each container`)
	f(lotHead+"white-rice,pet-2l,a dozen,much,14.3.26,cellar,wet,,,,\n",
		`2:19: count: "a dozen" is not a number above 0: write 12`, `2:27: mass_kg: "much" is not a number above 0: write 1.6`,
		`2:47: moisture: "wet" is not a number above 0: write 11.5`, `2:32: packed: "14.3.26" is not a date: write 2026-03-14`)
	f(lotHead+"white-rice,pet-2l,1.5,1.6,2026-03-14,,,,,,\n", `2:19: count: "1.5" is not a whole number: write 12`, "2:38: room is empty: every lot needs it")
	f(lotHead+"white-rice,pet-2l,12\n", "2:1: the row has 3 cells, the header 11")
	f(lotHead+"white-rice,pet-2l,12,NaN,2026-03-14,cellar,-3,,0x10,,\n",
		`2:22: mass_kg: "NaN" is not a number above 0: write 1.6`, `2:44: moisture: "-3" is not a number above 0: write 11.5`, `2:48: absorber: "0x10" is not a number above 0: write 300`)
	f("\xff\xfef\x00o\x00", "cannot read the table: it is not UTF-8 text: save it as CSV in UTF-8")
}

// FuzzReadLots: no table makes the reader panic, and a row without a problem
// has what every lot needs.
func FuzzReadLots(f *testing.F) {
	for _, s := range []string{
		LotTemplate(), lotHead + "white-rice,pet-2l,12,1.6,2026-03-14,cellar,11.5,absorber,300,boxed,x\n", lotHead + "\"", "food;container;count;mass_lb;packed;room\na;b;1;1,5;2026-03-14;c",
		"\uFEFFfood", "a\tb", lotHead + "#\n\n,,,,,,,,,,\n",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, table string) {
		rows, _, refused, err := ReadLots(strings.NewReader(table))
		if err != nil || refused > 0 {
			return
		}
		for _, r := range rows {
			if r.Line < 2 || r.Packing.Food == "" || r.Packing.Container == "" || r.Packing.Room == "" || r.Packing.PackedAt.IsZero() || r.Packing.NetMassKG < 0 {
				t.Errorf("taken: %+v", r)
			}
		}
	})
}
