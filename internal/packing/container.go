package packing

import (
	"fmt"
	"slices"
	"strings"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
)

// Bottle is what the keeper sees of a container that is used again. Its zero
// values are what was not looked at.
type Bottle struct {
	Resin   int    // resin code in the triangle at its foot, 1 to 7
	Closure string // one of Closures
	Held    string // one of Contents: what it held before
	Leak    lot.LeakTest
}

// Closures lists the words for closures.
func Closures() []string {
	return []string{"screw", "flip-top", "push-pull", "pump", "snap-on", "cork"}
}

// Contents lists the words for what a container held before.
func Contents() []string { return []string{"food", "new", "non-food", "chemical"} }

// resin is one plastic by its code.
type resin struct {
	code      int
	name, why string
	source    string
}

// resins are those that are refused, with the reason.
func resins() []resin {
	const handbook = "biosystems engineering handbook, table 11.2"
	through := func(name string) string {
		var pet, other barrier.Polymer
		for _, p := range barrier.Polymers() {
			if p.Name == "PET" {
				pet = p
			}
			if strings.HasPrefix(p.Name, name) {
				other = p
			}
		}
		return fmt.Sprintf("it lets through %s to %s times the oxygen that PET does", figures(float64(other.OxygenLow/pet.OxygenHigh), 2), figures(float64(other.OxygenHigh/pet.OxygenLow), 2))
	}
	return []resin{
		{2, "HDPE", through("HDPE") + ", and milk fat and soap stay in its wall", handbook + "; the wall from memory"},
		{3, "PVC", "its softeners are not for food that lies in it for years", memory},
		{4, "LDPE", through("LDPE"), handbook},
		{5, "PP", through("PP"), handbook},
		{6, "polystyrene", "it cracks, and lets oxygen through about as polyethylene does", memory},
		{7, "another plastic", "nobody can say which it is", judgement},
	}
}

// vessel is a container that people have at hand and that is no class of the
// catalog.
type vessel struct {
	id, why, source string
	use             string // the class to use instead
}

func vessels() []vessel {
	const reused = "packing guide for PET bottles, read as reposted"
	return []vessel{
		{"milk-jug", "it is HDPE, resin code 2, with a thin wall and a snap-on cap: it holds no low oxygen, and milk stays in its wall", reused, "pet-2l"},
		{"detergent-bottle", "it held what is not food, and plastic gives that off for years", reused + "; Hong Kong Centre for Food Safety, Food Safety Focus, read", "pet-2l"},
		{"bleach-bottle", "it held a chemical: never for food, however well it is washed", reused, "pet-2l"},
		{"sports-bottle", "its drinking valve does not close tightly", judgement, "pet-1l"},
		{"water-cooler-bottle", "it is resin code 7 or worn, and its cap is for one use", judgement, "pail-20l-foil"},
		{"plastic-bag", "its wall of LDPE lets air through within weeks, and insects bite through it", "biosystems engineering handbook, table 11.2; the insects from memory", "foil-pouch-4l"},
		{"trash-bag", "it is not made for food, and may hold scent or pesticide", memory, "foil-pouch-4l"},
		{"paint-pail", "it held a chemical: never for food", reused, "pail-20l-foil"},
		{"press-on-box", "a lid that is pressed on lets air in within days", judgement, "glass-jar-1l"},
	}
}

// Containers lists the ids of what an advice can be asked for: the classes of
// the catalog, then what people have at hand and is refused.
func Containers(c *catalog.Catalog) []string {
	ids := c.ContainerIDs()
	for _, v := range vessels() {
		ids = append(ids, v.id)
	}
	return ids
}

// judgeContainer says whether the container is fit.
func (a *adviser) judgeContainer() error {
	defer a.end(titleContainer)
	id := strings.ReplaceAll(strings.ToLower(strings.TrimSpace(a.req.Container)), " ", "-")
	if id == "" {
		a.say(Unknown, judgement, "No container is named: the classes are %s.", strings.Join(a.catalog.ContainerIDs(), ", "))
		return nil
	}
	k, err := a.catalog.Container(id)
	if err != nil {
		return a.strange(id)
	}
	a.container, a.out.Container, a.out.ContainerName = k, k.ID, k.Name
	a.bottle()
	a.closed()
	a.leak()
	a.size()
	return nil
}

// strange judges a container that is no class.
func (a *adviser) strange(id string) error {
	names := a.catalog.ContainerIDs()
	for _, v := range vessels() {
		if v.id == id {
			a.out.Container, a.out.ContainerName = id, id
			a.say(Refused, v.source, "A %s is not fit: %s. Use for example %s.", strings.ReplaceAll(id, "-", " "), v.why, v.use)
			return nil
		}
		names = append(names, v.id)
	}
	return lot.Invalid("unknown container %q%s", a.req.Container, nearest.Hint(id, names))
}

// reused says that containers of the class are bottles used again: a clear wall
// that lets oxygen through is plastic.
func reused(k catalog.Container) bool { return k.Clear && k.OxygenWall.Likely > 0 }

const petOnly = "packing guide for PET bottles, read as reposted"

// bottle judges resin and former contents.
func (a *adviser) bottle() {
	b := a.req.Bottle
	switch b.Held {
	case "chemical", "non-food":
		a.say(Refused, petOnly+"; Hong Kong Centre for Food Safety, Food Safety Focus 53 and 119, read",
			"It held what is not food: never use such a container for food, however well it was washed.")
	case "food", "new":
		a.say(Good, petOnly, "It held nothing but food or drink.")
	default:
		a.say(Unknown, petOnly, "Use it only if it never held anything but food or drink.")
	}
	if !reused(a.container) {
		return
	}
	a.say(Told, "Hong Kong Centre for Food Safety, Food Safety Focus 53 and 119, and University of Georgia Extension, both read",
		"Views differ on using bottles again: one authority takes whole, clean PET bottles for like food, never above 70 °C; one extension service discourages thin water bottles. Take only sound ones without cracks or smell.")
	if i := slices.IndexFunc(resins(), func(r resin) bool { return r.code == b.Resin }); i >= 0 {
		r := resins()[i]
		a.say(Refused, r.source, "Resin code %d is %s: %s. Of bottles used again only PET, code 1, is fit.", r.code, r.name, r.why)
	} else if b.Resin == 1 {
		a.say(Good, petOnly, "Resin code 1 is PET, the plastic that holds low oxygen for some years.")
	} else {
		a.say(Unknown, petOnly, "Look for the resin code in the triangle at its foot: only 1, PET or PETE, is fit.")
	}
}

// closed judges the closure.
func (a *adviser) closed() {
	b := a.req.Bottle
	switch {
	case !a.container.Sealed:
		a.say(Amber, a.container.SealFailure.Source, "A %s is not closed tightly: it holds no low oxygen, and the food follows the air of the room within weeks. It is for food that is eaten soon, or a layer around a sealed one.", lower(a.container.Name))
	case b.Closure == "screw":
		a.say(Good, petOnly, "A screw cap is right, if its seal is of plastic or rubber and not of paper or foam.")
	case b.Closure != "":
		a.say(Refused, petOnly+"; closures differ a hundredfold, gas trade page, read", "A %s closure is not fit: it does not hold against a pull of 21 kPa for years. Only a screw cap with a seal of plastic or rubber is.", b.Closure)
	case reused(a.container):
		a.say(Unknown, petOnly, "Use it only with its own screw cap whose seal is of plastic or rubber, not of paper or foam; a flip-top or a drinking valve is not tight.")
	default:
		a.say(Told, judgement, "Close it as its maker says, and look whether lid, gasket or seam is whole.")
	}
}

// leak guides the test and takes its result as the state of the seal.
func (a *adviser) leak() {
	if !a.container.Sealed {
		return
	}
	f := a.container.SealFailure
	switch a.req.Bottle.Leak {
	case lot.LeakHeld:
		a.say(Good, petOnly, "Squeezed under water it gave no bubbles: register the lot with this and its seal is verified.")
	case lot.LeakFound:
		a.say(Refused, petOnly, "It gave bubbles under water: it leaks. Try another cap, and test again; a container that leaks holds no low oxygen.")
	default:
		a.say(Unknown, petOnly+"; share: "+f.Source, "Test it empty: close it, hold it under water, press where it gives way, and turn it. Bubbles are a leak. Untested, %.0f to %.0f %% of such containers leak.", 100*f.Low, 100*f.High)
	}
}

// guideLitres is the largest container the guides give absorbers for.
const guideLitres = 4

func (a *adviser) size() {
	if v := a.container.Volume.Likely; a.container.Sealed && a.food.NoAbsorber == "" && v > guideLitres*1.01 {
		a.say(Amber, petOnly, "At %s L it is larger than the %d L for which the guides give one absorber packet: it takes several packets, spread through the food, and days longer.", figures(v, 3), guideLitres)
	}
}

// judgeAbsorber holds the absorber at hand against the oxygen enclosed.
func (a *adviser) judgeAbsorber() {
	have := a.req.AbsorberCM3
	if !a.known || a.container.ID == "" || a.food.NoAbsorber != "" || !a.lowOxygen() {
		return
	}
	defer a.end(titleAbsorber)
	if !a.container.Sealed {
		a.say(Refused, judgement, "An absorber in a %s is spent on the room within hours: leave it out, or choose a container that closes.", lower(a.container.Name))
		return
	}
	if have <= 0 {
		return // it is chosen below
	}
	gas := a.gas()
	enclosed := Band{barrier.EnclosedOxygen(gas.Low), barrier.EnclosedOxygen(gas.Likely), barrier.EnclosedOxygen(gas.High)}
	source := "computed: gas space × 0.209, with a margin of 20 % (judgement)"
	switch {
	case have < enclosed.Low:
		a.say(Refused, source, "An absorber of %s cm3 is too small: the container encloses %s to %s cm3 of oxygen, and what is left rests at about %s. Insects live on and oxidation goes on; use %s cm3 or more.",
			exact(have), whole(enclosed.Low), whole(enclosed.High), percent(barrier.AirOxygen*(1-have/enclosed.Likely)), whole(barrier.Margin*enclosed.Likely))
	case have < barrier.Margin*enclosed.Likely:
		a.say(Amber, source, "An absorber of %s cm3 has less than the usual margin: the container encloses about %s cm3 of oxygen (%s to %s), %s with a margin of 20 %%.",
			exact(have), whole(enclosed.Likely), whole(enclosed.Low), whole(enclosed.High), whole(barrier.Margin*enclosed.Likely))
	default:
		a.say(Good, source, "An absorber of %s cm3 takes up the %s cm3 enclosed with a margin.", exact(have), whole(enclosed.Likely))
	}
	if a.req.MoistureActivated {
		aw := usualActivity(a.food)
		if a.out.WaterActivity != nil {
			aw = *a.out.WaterActivity
		}
		used := barrier.NewAbsorber(barrier.MoistureActivated, have).Usable(aw)
		level := Amber
		if have*used < enclosed.Low {
			level = Refused
		}
		a.say(level, "Int. J. Food Sci. Technol. 2013, 10.1111/ijfs.12100", "It is of the moisture-activated kind: at a water activity of %.2f it delivers about %s of its rating. Dry food needs the self-activated kind.", aw, percent(used))
	}
}

func lower(s string) string {
	if s == "" || strings.HasPrefix(s, "PET") || strings.HasPrefix(s, "HDPE") {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
