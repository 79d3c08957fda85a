package sorption

import "dryhold/internal/unit"

// Water activities that part one behaviour of a food from another, as
// fractions (models 4.2 and 4.3). Lines lists them with their sources. They
// describe; whether a food is safe to eat is for the local food-safety
// authority to say.
const (
	// NothingGrows: below it no micro-organism is known to grow.
	NothingGrows = 0.60
	// Mycotoxins: the lowest at which toxin-forming aspergilli grow, 0.75 to
	// 0.78.
	Mycotoxins = 0.75
	// MostMoulds grow from here.
	MostMoulds = 0.80
	// BotulinumRule is the regulatory limit for low-acid food, pH above 4.6.
	BotulinumRule = 0.85
	// Bacteria grow from here, in general.
	Bacteria = 0.90

	// DryAmber and DryRed are the design lines of dry stores.
	DryAmber = 0.60
	DryRed   = 0.65
	// MilkAmber and MilkRed are those of milk powders.
	MilkAmber = 0.30
	MilkRed   = 0.37

	// LactoseCrystallises: amorphous lactose passes its glass transition at
	// room temperature, gets sticky, cakes, crystallises and sets water free.
	LactoseCrystallises = 0.37
	// MilkBrowns is where Maillard browning of milk powder is fastest.
	MilkBrowns = 0.66
	// SemolinaSteep: beyond it semolina and farina take up water steeply.
	SemolinaSteep = 0.75
	// SugarCakes is the low end, 0.65 to 0.75, above which a cycle of damp
	// and dry cakes sucrose.
	SugarCakes = 0.65
	// SugarDissolves is the low end of the deliquescence of sucrose, 0.84 to
	// 0.86 at 20 to 25 °C.
	SugarDissolves = 0.84
	// BrownSugarHardens below it.
	BrownSugarHardens = 0.60
	// SaltDissolves is the deliquescence of sodium chloride at 25 °C; 0.7547
	// at 20 °C and 0.7509 at 30 °C. Cycles across it cake salt.
	SaltDissolves = 0.753
)

// PackingGuideline is the moisture up to which dry food is packed for long
// storage, about 10 % (models 4.3: a packing guide of 2007, read as reposted).
// It is a rule of quality and insects: at 21 °C it is a water activity of 0.35
// to 0.42, far below the line for growth. Grain of 11 to 13 % is above the
// packing guideline, and nothing worse is to be said of it.
const PackingGuideline unit.WetBasis = 0.10

// Line is a water activity with what it parts and where it comes from.
type Line struct {
	Name     string
	Activity float64
	Source   string
}

// Lines lists the critical water activities in rising order of activity, those
// of one activity by name.
func Lines() []Line {
	const (
		tables   = "University of Guelph food science page and two water-activity tables"
		own      = "judgement, from the microbial minima"
		memory   = "from memory"
		roos     = "Roos 2002, Lait 82:475"
		le       = "Le et al. 2011, J. Agric. Food Chem."
		erbas    = "Erbas, Ertugay and Certel 2005, J. Food Eng. 69:191"
		greensp  = "Greenspan 1977, J. Res. NBS 81A, from memory"
		cfr      = "21 CFR 113, as printed in water-activity tables"
		longTerm = "judgement: the mould line of long storage is 0.65 to 0.70"
	)
	return []Line{
		{"milk powder: amber", MilkAmber, "judgement, below " + roos},
		{"milk powder: lactose crystallises, powder cakes", LactoseCrystallises, roos},
		{"milk powder: red", MilkRed, "judgement, at the line of " + roos},
		{"brown sugar hardens below", BrownSugarHardens, memory},
		{"dry store: amber", DryAmber, own},
		{"nothing grows below", NothingGrows, tables},
		{"dry store: red", DryRed, longTerm},
		{"sugar cakes in cycles above", SugarCakes, memory},
		{"milk powder browns fastest", MilkBrowns, le},
		{"semolina takes up water steeply above", SemolinaSteep, erbas},
		{"toxin-forming moulds grow from", Mycotoxins, tables},
		{"salt dissolves", SaltDissolves, greensp},
		{"most moulds grow from", MostMoulds, tables},
		{"sugar dissolves", SugarDissolves, memory},
		{"regulatory limit for low-acid food", BotulinumRule, cfr},
		{"most bacteria grow from", Bacteria, tables},
	}
}
