package plots_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"curetally/internal/core/dossier"
	"curetally/internal/core/dossier/dossiertest"
	"curetally/internal/core/plant"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/plots"
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

// Every kind of dossier gives six plots in every language, each well-formed, the same
// again, with a table as wide as its head.
func TestPlotsOfEveryCase(t *testing.T) {
	for _, c := range dossiertest.Cases() {
		d := dossiertest.New(t, c)
		for _, lang := range []string{"en", "de"} {
			all := plots.Of(d, speak(t, lang))
			var names []string
			for _, f := range all {
				names = append(names, f.Name)
				for _, width := range []float64{figure.Wide, figure.Narrow} {
					svg, err := figure.SVG(f, figure.Options{Width: width})
					if err != nil {
						t.Fatalf("%s, %s: %v", c.Name, f.Name, err)
					}
					wellFormed(t, svg)
					if again, _ := figure.SVG(f, figure.Options{Width: width}); !bytes.Equal(svg, again) {
						t.Errorf("%s, %s: drawn again it differs", c.Name, f.Name)
					}
				}
				if len(f.Table.Rows) == 0 {
					t.Errorf("%s, %s: no table", c.Name, f.Name)
				}
				for i, row := range f.Table.Rows {
					if len(row) != len(f.Table.Heads) {
						t.Fatalf("%s, %s: row %d has %d cells under %d heads", c.Name, f.Name, i, len(row), len(f.Table.Heads))
					}
				}
			}
			if want := []string{plots.Fit, plots.BeforeAfter, plots.Saved, plots.CuSum, plots.Residuals, plots.Load}; !slices.Equal(names, want) {
				t.Errorf("%s, %s: plots %v, want %v", c.Name, lang, names, want)
			}
		}
	}
}

func wellFormed(t *testing.T, svg []byte) {
	t.Helper()
	dec := xml.NewDecoder(bytes.NewReader(svg))
	for {
		_, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
	}
}

func marks(f figure.Figure, kind figure.Kind) []figure.Mark {
	var out []figure.Mark
	for _, p := range f.Panels {
		for _, m := range p.Marks {
			if m.Kind == kind {
				out = append(out, m)
			}
		}
	}
	return out
}

func find(t *testing.T, all []figure.Figure, name string) figure.Figure {
	t.Helper()
	i := slices.IndexFunc(all, func(f figure.Figure) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("no plot %q", name)
	}
	return all[i]
}

// What is drawn is what is stated: the last point of the saving and its band, a dot for
// each row, the limit of drift.
func TestPlotsShowTheStatement(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[1])
	all := plots.Of(d, speak(t, "en"))
	saved := find(t, all, plots.Saved)
	line, band := marks(saved, figure.Line)[0].Points, marks(saved, figure.Band)[0].Points
	series := d.Statement.Series
	last := series[len(series)-1]
	if end := line[len(line)-1]; end.Y != last.CumulativeSaved || len(line) != len(series)+1 {
		t.Errorf("the line of %d points ends at %v, stated %v in %d days", len(line), end.Y, last.CumulativeSaved, len(series))
	}
	if end := band[len(band)-1]; end.Y-end.To != 2*last.HalfWidth && end.Y-end.To-2*last.HalfWidth > 1e-9 {
		t.Errorf("the band ends %v wide, stated %v", end.Y-end.To, 2*last.HalfWidth)
	}
	fit := find(t, all, plots.Fit)
	if n := len(marks(fit, figure.Dots)[0].Points); n != len(d.Baseline.Rows) {
		t.Errorf("%d dots of %d rows", n, len(d.Baseline.Rows))
	}
	if limit := marks(find(t, all, plots.CuSum), figure.Level); len(limit) != 1 || limit[0].Points[0].Y != 5 {
		t.Errorf("limit of drift: %v, want one at 5", limit)
	}
}

// Without entries by the hour there is no load, without rows no fit, and soon after the
// conversion no chart of drift.
func TestWhatThereIsNothingForIsNotDrawn(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[0])
	d.Shape = dossier.Shape{}
	d.Statement.Series = d.Statement.Series[:10]
	d.Statement.To = d.Statement.Series[9].Day
	all := plots.Of(d, speak(t, "en"))
	if i := slices.IndexFunc(all, func(f figure.Figure) bool { return f.Name == plots.Load }); i >= 0 {
		t.Error("a load was drawn of nothing")
	}
	if n := len(find(t, all, plots.CuSum).Panels); n != 1 {
		t.Errorf("%d panels of running sums ten days after the conversion, want 1", n)
	}
	d.Baseline.Rows = nil
	for _, f := range plots.Of(d, speak(t, "en")) {
		if f.Name == plots.Fit || f.Name == plots.Residuals {
			t.Errorf("%s was drawn of a baseline without rows", f.Name)
		}
	}
}

func TestLabelsFollowTheLanguage(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Case{Name: "one", Granularity: plant.Daily, Model: "linear", Drivers: []plant.Driver{plant.DriverCuringHours}, Rho: 0.2})
	for lang, want := range map[string][]string{
		"en": {"1,000", "curing hours per day", "kWh per day"}, "de": {"1.000", "Härtungsstunden je Tag", "kWh je Tag"},
	} {
		svg, err := figure.SVG(find(t, plots.Of(d, speak(t, lang)), plots.Fit), figure.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range want {
			if !strings.Contains(string(svg), s) {
				t.Errorf("%s: the fit lacks %q", lang, s)
			}
		}
	}
}
