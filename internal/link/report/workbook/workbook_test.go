package workbook

import (
	"bytes"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"curetally/internal/core/dossier"
	"curetally/internal/core/dossier/dossiertest"
	"curetally/internal/link/report/words"
)

func speak(t *testing.T, lang string) *words.Words {
	t.Helper()
	w, err := words.New(lang)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func written(t *testing.T, d dossier.Dossier, lang string) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := Write(&out, d, speak(t, lang)); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// recompute lets an independent spreadsheet program open workbooks, compute every
// formula, and save what came of it.
func recompute(t *testing.T, files []string) string {
	t.Helper()
	office, err := exec.LookPath("soffice")
	if err != nil {
		t.Fatal("soffice is missing, by which workbooks are recomputed — install the Debian package libreoffice-calc-nogui")
	}
	out := t.TempDir()
	args := append([]string{
		"-env:UserInstallation=file://" + t.TempDir(), "--headless", "--norestore", "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", out,
	}, files...)
	if said, err := exec.CommandContext(t.Context(), office, args...).CombinedOutput(); err != nil {
		t.Fatalf("soffice: %v\n%s", err, said)
	}
	return out
}

// The figures that the spreadsheet computes from the data are those that the
// program stated, to a billionth. LibreOffice is the independent computer.
func TestSpreadsheetRecomputesTheStatement(t *testing.T) {
	dir := t.TempDir()
	var files []string
	for i, c := range dossiertest.Cases() {
		lang := []string{"en", "de"}[i%2]
		file := filepath.Join(dir, c.Name+".xlsx")
		if err := os.WriteFile(file, written(t, dossiertest.New(t, c), lang), 0o600); err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	out := recompute(t, files)
	for i, c := range dossiertest.Cases() {
		t.Run(c.Name, func(t *testing.T) {
			w := speak(t, []string{"en", "de"}[i%2])
			compare(t, filepath.Join(out, c.Name+".xlsx"), w, dossiertest.New(t, c))
		})
	}
}

func compare(t *testing.T, file string, w *words.Words, d dossier.Dossier) {
	t.Helper()
	f, err := excelize.OpenFile(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := f.GetRows(w.Text("sheet-results"), excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	compared := map[string]float64{}
	for i, r := range rows[firstRow-1:] {
		if len(r) < 4 || r[3] == "" {
			continue
		}
		got, err := strconv.ParseFloat(r[2], 64)
		if err != nil {
			t.Errorf("row %d, %s: recomputed is %q", firstRow+i, r[0], r[2])
			continue
		}
		want, err := strconv.ParseFloat(r[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		// What is 0 but for rounding (the bias of a fit on its own rows) has no
		// relative error.
		if math.Abs(got-want) > 1e-9*math.Abs(want)+1e-13 {
			t.Errorf("%s: recomputed %.15g, stated %.15g", r[0], got, want)
		}
		compared[r[0]] = want
	}
	st := d.Statement
	for name, want := range map[string]float64{
		"saved": st.SavedKWh, "half-width": st.HalfWidthKWh, "meter-half-width": st.MeterHalfWidthKWh, "adjustments": 700 * 13.0 / 14,
		"carbon-saved": st.CarbonKg, "stat-rho": d.Baseline.Model.Rho,
	} {
		if d.Statement.Granularity == "weekly" && name == "adjustments" {
			want = st.AdjustmentKWh
		}
		if got, ok := compared[w.Text(name)]; !ok || math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Errorf("%s among the results: %v %v, want %v", name, got, ok, want)
		}
	}
	for _, s := range f.GetSheetList() {
		all, err := f.GetRows(s)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range all {
			for j, cell := range r {
				if strings.HasPrefix(cell, "#") || strings.HasPrefix(cell, "Err:") {
					t.Errorf("sheet %s, cell %s holds %s", s, at(j+1, i+1), cell)
				}
			}
		}
	}
}

// What stands beside the statement has a sheet of its own, whose differences the
// spreadsheet computes; a dossier without it has no such sheet.
func TestWhatStandsBeside(t *testing.T) {
	d := dossiertest.Whole(t, dossiertest.Cases()[0])
	file := filepath.Join(t.TempDir(), "whole.xlsx")
	if err := os.WriteFile(file, written(t, d, "en"), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenFile(filepath.Join(recompute(t, []string{file}), "whole.xlsx"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := f.GetRows("Beside", excelize.Options{RawCellValue: true})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][]string{}
	for _, r := range rows {
		if len(r) > 3 {
			got[r[0]] = append(r, "", "")
		}
	}
	for name, want := range map[string]float64{
		"energy cost by the tariff day and night": d.Worth.Cost.Saved.Float(), "Jun 2026, working hours": 49,
		"carbon by location (grid.csv)": 27_000, "carbon by market (contract.csv)": 2_700, "fan roof (electricity)": d.Effects[len(d.Effects)-1].KWh,
	} {
		r := got[name]
		if len(r) < 5 {
			t.Errorf("no row %q among %v", name, got)
			continue
		}
		if v, err := strconv.ParseFloat(r[4], 64); err != nil || math.Abs(v-want) > 1e-6*math.Abs(want) {
			t.Errorf("%s: avoided %q, want %v", name, r[4], want)
		}
	}
	if r := got["mercury in the lamps, mg"]; len(r) < 4 || r[2] != "240" || r[3] != "0" {
		t.Errorf("mercury: %q, want 240 and 0", r)
	}
	plain, err := excelize.OpenReader(bytes.NewReader(written(t, dossiertest.New(t, dossiertest.Cases()[0]), "en")))
	if err != nil {
		t.Fatal(err)
	}
	defer plain.Close()
	if i, err := plain.GetSheetIndex("Beside"); err != nil || i >= 0 {
		t.Errorf("a dossier with nothing beside has the sheet: %d, %v", i, err)
	}
}

func TestSameDossierSameBytes(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[0])
	once := written(t, d, "en")
	for range 3 {
		if !bytes.Equal(once, written(t, d, "en")) {
			t.Fatal("the workbook differs from one writing to the next")
		}
	}
}

func TestSurveyHasNothingToRecompute(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[0])
	d.Baseline.Rows = nil
	var out bytes.Buffer
	if err := Write(&out, d, speak(t, "en")); !errors.Is(err, ErrNoRows) || out.Len() > 0 {
		t.Errorf("%v after %d bytes, want ErrNoRows and nothing", err, out.Len())
	}
}
