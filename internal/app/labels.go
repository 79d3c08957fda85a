package app

import (
	"bytes"
	"context"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/packing"
	"dryhold/internal/report"
	"dryhold/internal/web"
)

// Labels implements web.LotKeeper.
func (a *App) Labels(_ context.Context, o web.LabelOrder) (web.ReportFile, error) {
	sheet, err := report.SheetOrder{Sheet: o.Sheet, Paper: o.Paper, Label: o.Label, Margin: o.Margin, Gap: o.Gap, Tape: o.Tape, Skip: o.Skip}.Read()
	if err != nil {
		return web.ReportFile{}, lot.Invalid("%v", err)
	}
	snap := a.Snapshot()
	if snap == nil {
		return web.ReportFile{}, lot.NotNow("there is no state yet: try again in a moment")
	}
	lots, err := wantedLots(snap.Lots, o)
	if err != nil {
		return web.ReportFile{}, err
	}
	var labels []report.Label
	for _, l := range lots {
		labels = append(labels, a.labelsOf(l)...)
	}
	var body bytes.Buffer
	if err := report.WriteLabels(&body, sheet, labels, a.now()); err != nil {
		return web.ReportFile{}, lot.Invalid("%v", err)
	}
	return web.ReportFile{Name: "labels-" + a.now().In(a.opts.Settings.Zone).Format(time.DateOnly) + ".pdf", Type: "application/pdf", Body: body.Bytes()}, nil
}

// wantedLots are the lots in store that an order names, in the order of their
// numbers.
func wantedLots(all []engine.LotView, o web.LabelOrder) (out []engine.LotView, err error) {
	for _, id := range o.Lots {
		i := slices.IndexFunc(all, func(l engine.LotView) bool { return l.ID == id })
		if i < 0 {
			return nil, lot.NotFound("there is no lot %q", id)
		}
		if all[i].Finished() {
			return nil, lot.Invalid("lot %s is finished: it needs no label", id)
		}
		out = append(out, all[i])
	}
	if len(o.Lots) == 0 {
		for _, l := range all {
			if !l.Finished() && (o.Room == "" || l.Room() == o.Room) && (o.Import == 0 || l.Import == o.Import) {
				out = append(out, l)
			}
		}
	}
	if len(out) == 0 {
		return nil, lot.NotFound("no lot in store is so: name lots, a room or an import")
	}
	slices.SortStableFunc(out, func(x, y engine.LotView) int {
		if n := len(x.ID) - len(y.ID); n != 0 { // L-9 before L-10
			return n
		}
		return strings.Compare(x.ID, y.ID)
	})
	return out, nil
}

// labelsOf is one label for each container that is in store.
func (a *App) labelsOf(l engine.LotView) (out []report.Label) {
	p, zone := l.Packing, a.opts.Settings.Zone
	facts := packing.Label(p.Food)
	full, short := packing.LabelCaution(p)
	// A pound is 0.45359237 kg by definition.
	mass := fmt.Sprintf("%.4g kg (%.3g lb) net", p.NetMassKG, p.NetMassKG/0.45359237)
	day := p.PackedAt.In(zone)
	moisture := ""
	if p.MoistureWB > 0 {
		moisture = fmt.Sprintf("%.4g %% moisture", 100*p.MoistureWB)
	}
	strong := "Allergens: see the package"
	if facts.Known {
		strong = ""
		if len(facts.Allergens) > 0 {
			strong = "Contains: " + strings.Join(facts.Allergens, ", ")
		}
	}
	cook := facts.Cooking
	if cook != "" {
		cook = "Cook: " + cook
	}
	for n := 1; n <= l.InStore().Count; n++ {
		of := fmt.Sprintf("%d of %d", n, max(p.Count, l.InStore().Count))
		out = append(out, report.Label{
			Food: l.FoodName, Strong: strong, Cooking: cook, Caution: full, Short: short,
			Lines: []string{l.ID + " · " + of + " · " + l.ContainerName, mass, "packed " + day.Format("2 Jan 2006"), packing.LabelTreatment(p.Treatment)},
			Code: a.labelCode(l.ID, []string{
				"Lot: " + l.ID + ", container " + of, "Food: " + l.FoodName, "Packed: " + day.Format(time.DateOnly), fmt.Sprintf("Net: %.4g kg", p.NetMassKG),
				"Treatment: " + packing.LabelTreatment(p.Treatment), moisture, "Site: " + a.opts.Settings.Site,
			}),
		})
	}
	return out
}

// labelCode is what the code of a label holds: the facts, which are read
// without the server, as lines of plain text. Where the page has an address the
// code is that of the lot with the facts behind it as a fragment, which no
// browser sends: a telephone opens the page at once, and shows the facts in the
// address where the server is long gone.
func (a *App) labelCode(id string, facts []string) string {
	facts = slices.DeleteFunc(facts, func(s string) bool { return s == "" })
	at := a.opts.Settings.HTTP.PublicURL
	if at == "" {
		return strings.Join(facts, "\n")
	}
	for i, s := range facts {
		plain := strings.NewReplacer(": ", "=", ", ", "_", " ", "_", "³", "3", "%", "percent").Replace(s)
		facts[i] = strings.ReplaceAll(url.PathEscape(plain), "%2C", ",")
	}
	return at + "/lots/" + url.PathEscape(id) + "#" + strings.Join(facts, ";")
}
