package web

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"dryhold/internal/lot"
	"dryhold/internal/tabular"
)

// importView is the page on which a table of lots is looked over and entered.
type importView struct {
	Problem          string // of the table as a whole
	Faults, Cautions []string
	Rows             []importRow
	Summary, Button  string
	Ready            bool // nothing stands against it
	Table, By, User  string
	Template         string
}

type importRow struct {
	Line                                                       int
	Food, Container, Amount, Packed, Room, Moisture, Treatment string
}

func (s *server) getImportLotsPage(w http.ResponseWriter, r *http.Request) {
	s.writeImport(w, r, http.StatusOK, importView{})
}

func (s *server) writeImport(w http.ResponseWriter, r *http.Request, status int, v importView) {
	p := s.words(r)
	v.User, v.Template = userOf(r), tabular.LotTemplate()
	s.writePage(w, r, status, page{Name: "import lots", Head: p.t("Enter many from a table"), Here: "/lots", Caution: true}, v)
}

// postImportLotsForm shows what was read of a table, and enters it when that
// was seen.
func (s *server) postImportLotsForm(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	v, sure, no := readTable(w, r)
	if no != nil {
		v.Problem = no.detail
		s.writeImport(w, r, no.status, v)
		return
	}
	refuse := func(status int, text string) {
		v.Problem = text
		s.writeImport(w, r, status, v)
	}
	in := ImportLots{DryRun: true, By: signed(r, v.By)}
	rows, err := p.tableRead(&v, &in)
	if err != nil {
		refuse(http.StatusUnprocessableEntity, err.Error())
		return
	}
	if len(v.Faults) > 0 {
		s.writeImport(w, r, http.StatusUnprocessableEntity, v)
		return
	}
	if no := in.check(); no != nil {
		refuse(no.status, no.detail)
		return
	}
	seen, err := s.Actions.ImportLots(r.Context(), in)
	if err != nil {
		refuse(s.failure(r, "look the lots over", err))
		return
	}
	v.seen(rows, seen)
	if len(v.Faults) > 0 {
		s.writeImport(w, r, http.StatusUnprocessableEntity, v)
		return
	}
	v.Ready, v.Button = true, p.tn("Enter %d lot", "Enter %d lots", len(rows))
	if !sure {
		s.writeImport(w, r, http.StatusOK, v)
		return
	}
	in.DryRun = false
	done, err := s.Actions.ImportLots(r.Context(), in)
	switch {
	case err != nil:
		refuse(s.failure(r, "register the lots", err))
	case done.Number == 0: // something changed since it was looked at
		v.Ready = false
		v.seen(rows, done)
		s.writeImport(w, r, http.StatusConflict, v)
	default:
		http.Redirect(w, r, "/lots?did=imported&import="+strconv.Itoa(done.Number), http.StatusSeeOther)
	}
}

// seen shows what stands against lots, and what is to be known of them.
func (v *importView) seen(rows []tabular.LotRow, x ImportedLots) {
	say := func(faults []LotFault) (out []string) {
		for _, f := range faults {
			if f.Index >= 0 && f.Index < len(rows) {
				out = append(out, fmt.Sprintf("%d: %s", rows[f.Index].Line, f.Text))
			}
		}
		return out
	}
	v.Faults, v.Cautions = say(x.Problems), say(x.Cautions)
}

// tableRead reads the table: what it has is shown, and what cannot be read is
// told by line and column.
func (p *pageContext) tableRead(v *importView, in *ImportLots) ([]tabular.LotRow, error) {
	rows, problems, refused, err := tabular.ReadLots(strings.NewReader(v.Table))
	if err != nil {
		return nil, err
	}
	if len(rows) > MostImported {
		return nil, errors.New(p.t("The table has %d lots: give at most %d in one.", len(rows), MostImported))
	}
	for _, x := range problems {
		v.Faults = append(v.Faults, x.String())
	}
	if more := refused - len(problems); more > 0 {
		v.Faults = append(v.Faults, p.tn("%d more cell cannot be used.", "%d more cells cannot be used.", more))
	}
	kg, containers := 0.0, 0
	for _, x := range rows {
		k := x.Packing
		in.Lots = append(in.Lots, k)
		kg, containers = kg+float64(float64(k.Count)*k.NetMassKG), containers+k.Count
		row := importRow{
			Line: x.Line, Food: k.Food, Container: k.Container, Amount: p.t("%d × %s", k.Count, p.mass(k.NetMassKG)), Room: k.Room,
			Packed: p.date(k.PackedAt, "2 Jan 2006"), Moisture: p.t("not measured"), Treatment: p.word(string(k.Treatment.Kind)),
		}
		if k.MoistureWB > 0 {
			row.Moisture = p.measure(100, 1, " %").text(k.MoistureWB)
		}
		if k.Treatment.Kind == lot.Absorber {
			row.Treatment = p.t("%s, %s cm³", row.Treatment, p.short(k.Treatment.CapacityCM3, 1))
		}
		v.Rows = append(v.Rows, row)
	}
	v.Summary = p.tn("%d lot, %d containers, %s in all.", "%d lots, %d containers, %s in all.", len(rows), containers, p.mass(kg))
	return rows, nil
}

// readTable takes the table from a file, or from the text of the form.
func readTable(w http.ResponseWriter, r *http.Request) (v importView, sure bool, no *refusal) {
	r.Body = http.MaxBytesReader(w, r.Body, maxImport)
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch {
	case err == nil && media == "multipart/form-data":
		err = r.ParseMultipartForm(maxImport)
	case err == nil && media == "application/x-www-form-urlencoded":
		err = r.ParseForm()
	default:
		return v, false, &refusal{http.StatusUnsupportedMediaType, "send the form as multipart/form-data or application/x-www-form-urlencoded"}
	}
	if err != nil {
		return v, false, unread(err)
	}
	v.By, v.Table = strings.TrimSpace(r.FormValue("by")), r.FormValue("table")
	if file, _, err := r.FormFile("file"); err == nil {
		defer file.Close()
		text, err := io.ReadAll(file)
		if err != nil {
			return v, false, unread(err)
		}
		v.Table = cmp.Or(string(text), v.Table)
	}
	v.Table = strings.ToValidUTF8(strings.TrimPrefix(v.Table, "\ufeff"), "\ufffd")
	return v, r.FormValue("sure") == "yes", personal(v.By, "")
}

// postUndoImportForm takes back an import from the page of its lots.
func (s *server) postUndoImportForm(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	number := r.PathValue("number")
	fail := func(no *refusal) {
		s.writeBack(w, r, no, p.t("The import is not taken back"), "/lots?import="+number)
	}
	form, no := readForm(w, r)
	if no != nil {
		fail(no)
		return
	}
	by, note := signed(r, strings.TrimSpace(form.Get("by"))), strings.TrimSpace(form.Get("note"))
	if no := personal(by, note); no != nil {
		fail(no)
		return
	}
	n, err := strconv.Atoi(number)
	if err != nil || n < 1 {
		number = ""
		fail(&refusal{http.StatusNotFound, p.t("that is no number of an import")})
		return
	}
	if _, err := s.Actions.UndoImport(r.Context(), n, note, by); err != nil {
		status, detail := s.failure(r, "take back the import", err)
		fail(&refusal{status, detail})
		return
	}
	http.Redirect(w, r, "/lots?did=unimported", http.StatusSeeOther)
}
