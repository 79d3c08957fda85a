package packing

import (
	"fmt"
	"math"
	"strings"

	"dryhold/internal/lot"
)

// Summary says the whole of an advice in a line or two.
func (a Advice) Summary() string {
	what := a.FoodName
	if a.ContainerName != "" {
		what += " in " + lower(a.ContainerName)
	}
	if a.Refused && a.Override == "" {
		return what + ": do not pack it so."
	}
	var parts []string
	if a.Refused {
		parts = append(parts, "against the advice")
	}
	if f := a.Fill; f != nil {
		parts = append(parts, plural(f.Count, "container", "containers")+" of about "+figures(f.EachKG.Likely, 3)+" kg")
	}
	if o := a.Oxygen; o != nil && o.Smallest != nil {
		parts = append(parts, packetWords(o.Smallest)+" in each")
	}
	for _, l := range a.Lives {
		if l.Known {
			parts = append(parts, about(l.Days.Likely)+" in "+l.where())
		}
	}
	if len(parts) == 0 {
		return what + "."
	}
	return what + ": " + strings.Join(parts, "; ") + "."
}

func (l Life) where() string {
	if l.Room != "" {
		return l.Room
	}
	return "a room at " + figures(l.Temperature, 3) + " °C"
}

// Open says that something is still to be found out; empty where nothing is.
func (a Advice) Open() string {
	switch n := a.Unknowns(); {
	case n == 0 || a.Refused && a.Override == "":
		return ""
	case n == 1:
		return "1 thing is still to be found out before you pack."
	default:
		return whole(float64(n)) + " things are still to be found out before you pack."
	}
}

// Unknowns is how many things are still to be found out.
func (a Advice) Unknowns() (n int) {
	for _, s := range a.Sections {
		for _, l := range s.Lines {
			if l.Level == Unknown {
				n++
			}
		}
	}
	return n
}

// register is the command that puts the lot on record as it was advised.
func (a *adviser) register() string {
	p := a.packed().Packing
	count := 1
	if a.out.Fill != nil {
		count = a.out.Fill.Count
	}
	room := "ROOM"
	if a.req.Room != "" {
		room = a.req.Room
	}
	text := fmt.Sprintf("dryhold lots add %s %s --count %d --mass %s --room %s", p.Food, p.Container, count, figures(p.NetMassKG, 3), room)
	switch p.Treatment.Kind {
	case lot.Absorber:
		text += fmt.Sprintf(" --treatment absorber --capacity %s", exact(math.Round(p.Treatment.CapacityCM3)))
	case lot.FreezeThaw:
		text += " --treatment freeze-thaw"
	}
	if p.MoistureWB > 0 {
		text += " --moisture " + figures(100*p.MoistureWB, 4)
	}
	if p.LeakTest != lot.LeakNotTried {
		text += " --leak-test " + string(p.LeakTest)
	}
	if a.req.Override != "" {
		text += " --override " + fmt.Sprintf("%q", a.req.Override)
	}
	return text
}
