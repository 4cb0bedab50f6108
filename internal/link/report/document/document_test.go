package document_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"curetally/internal/core/dossier"
	"curetally/internal/core/dossier/dossiertest"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/link/report/document"
	"curetally/internal/link/report/words"
)

func of(t *testing.T, d dossier.Dossier, lang string) document.Document {
	t.Helper()
	w, err := words.New(lang)
	if err != nil {
		t.Fatal(err)
	}
	return document.Of(d, w)
}

// text is all that a section says.
func text(t *testing.T, d document.Document, name string) string {
	t.Helper()
	i := slices.IndexFunc(d.Sections, func(s document.Section) bool { return s.Name == name })
	if i < 0 {
		t.Fatalf("no section %q", name)
	}
	return strings.ReplaceAll(fmt.Sprintf("%v", d.Sections[i].Blocks), "\u00a0", " ")
}

// The report says what the statement states, each on its line, in the form of the
// language.
func TestReportSaysTheStatement(t *testing.T) {
	d := dossiertest.Whole(t, dossiertest.Cases()[0])
	st := d.Statement
	en, de := of(t, d, "en"), of(t, d, "de")
	figure := unit.Group(st.SavedKWh, 0)
	figure = strings.NewReplacer("\u202f", ",", " ", ",", "\u2009", ",").Replace(figure)
	for section, want := range map[string][]string{
		"result": {
			"It avoided " + figure + " kWh", fmt.Sprintf("%.1f %% of what", 100*st.SavedFraction), "[68 % ", "[80 % ", "[90 % ", "[95 % ",
			fmt.Sprintf("%.2f %%", 100*st.Intervals[2].Fraction), fmt.Sprintf("%.2f %%", 100*st.Intervals[2].Guideline),
		},
		"boundary":    {"heron-1-meter/import, heron-fan/import", "curing hours", "while led was lit", "Europe/Berlin", "shifts"},
		"baseline":    {d.Baseline.DataHash, "Ann Example", "printed area", "keeps all limits", fmt.Sprintf("%.4f", d.Baseline.Model.R2)},
		"uncertainty": {"Not included is the error of heron-fan/import", "heron-1-meter/import (20 %)"},
		"data":        {"measured", "states of heron-1 cover 21.5 of 24.0 h", "not counted: 1 day", "beyond the baseline's range"},
		"adjustments": {"further dryer inside the boundary", "+700 kWh", "readings of its meter"},
		"worth":       {"day and night", "10,000.07 EUR", "27,000 kg", "2,700 kg", "working hours", "an example of a contract"},
		"beside":      {"cooling avoided", "heating penalty", "fan roof", "not added up"},
		"table":       {"mercury in the lamps", "240", "no longer in the lamps of the press: 240 mg", "within about 1 s of contact", "by hand, 2026-03-09"},
		"drift":       {"No lasting rise"},
		"formulas":    {"ASHRAE Guideline 14", "GUM", "NIST"},
	} {
		said := text(t, en, section)
		for _, w := range want {
			if !strings.Contains(said, w) {
				t.Errorf("section %s lacks %q:\n%s", section, w, said)
			}
		}
	}
	for section, want := range map[string][]string{
		"result": {strings.ReplaceAll(figure, ",", ".") + " kWh vermieden"}, "worth": {"10.000,07 EUR"}, "data": {"Zustände von heron-1 decken 21,5 von 24,0 h"},
		"beside": {"vermiedene Kühlung", "Ventilator roof"}, "table": {"von Hand, 2026-03-09, contact probe", "Auf beiden Seiten nicht bekannt: Versorgung, V; "},
	} {
		said := text(t, de, section)
		for _, w := range want {
			if !strings.Contains(said, w) {
				t.Errorf("Abschnitt %s: %q fehlt:\n%s", section, w, said)
			}
		}
	}
}

// What a reader must not overlook is a note: nothing shown, a model that is not accepted, a
// drift, a static factor that changed, a baseline that nobody measured.
func TestWhatMustNotBeOverlooked(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[0])
	for i := range d.Days {
		if i > len(d.Days)-25 {
			d.Days[i].Energy += 60 * unit.KilowattHour
		}
	}
	d.Statement.Shown = false
	d.Statement.Given = &savings.Given{Source: savings.FromBills, File: "bills.csv"}
	d.Baseline.Diagnosis.Accepted, d.Baseline.Diagnosis.Reasons = false, []string{"R² 0.5, limit above 0.75: the drivers explain too little of the energy"}
	d.Project.Factors = []plant.StaticFactor{{Name: "shifts", Value: "three", From: d.Statement.From}}
	d.Unvalued = "a tariff and tables of carbon factors need a baseline of days"
	de := of(t, d, "de")
	for section, want := range map[string]string{
		"result": "Eine Einsparung ist nicht gezeigt", "baseline": "Einflussgrößen erklären zu wenig", "drift": "Der Verbrauch begann zu steigen",
		"adjustments": "shifts hat sich ohne Anpassung geändert", "worth": "brauchen einen Bezug aus Tagen", "beside": "keine beschrieben",
	} {
		if said := text(t, de, section); !strings.Contains(said, want) {
			t.Errorf("section %s lacks %q:\n%s", section, want, said)
		}
	}
	if said := text(t, de, "result"); !strings.Contains(said, "Mittel von Rechnungen (bills.csv)") {
		t.Errorf("nothing says that the baseline was not measured:\n%s", said)
	}
}

// A baseline that nobody measured says so, has no fit to show, and is refused no report.
func TestReportOfASurvey(t *testing.T) {
	d := of(t, dossiertest.Surveyed(t), "de")
	if said := text(t, d, "result"); !strings.Contains(said, "aus einer Aufnahme (survey.yaml), nicht gemessen: 267.000 ± 9.000 kWh im Jahr") {
		t.Errorf("nothing says that the baseline is from a survey:\n%s", said)
	}
	if said := text(t, d, "baseline"); strings.Contains(said, "Koeffizient") {
		t.Errorf("a model is shown that was never fitted:\n%s", said)
	}
}

// A year of normal conditions has a section of its own where one is written down.
func TestReportOfANormalYear(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[0])
	d.Normalised = &savings.Normalised{
		Days: 250, BaselineKWh: 300_000, ReportingKWh: 60_000, SavedKWh: 240_000, SavedFraction: 0.8, HalfWidthKWh: 5_000, ModelHalfWidthKWh: 4_000,
		MeterHalfWidthKWh: 3_000, Confidence: 0.9,
	}
	said := text(t, of(t, d, "de"), "normal")
	for _, want := range []string{"Jahr von 250 Tagen", "240.000 kWh eingespart im Jahr, mehr oder weniger 5.000 kWh bei 90 % Vertrauen (80,0 %)", "enthält der Bereich der normalisierten Einsparung die Null", "± 4.000 kWh"} {
		if !strings.Contains(said, want) {
			t.Errorf("the normal year lacks %q:\n%s", want, said)
		}
	}
}

// A report of every kind of model in every language has no text that something is missing
// from.
func TestEveryModelHasWords(t *testing.T) {
	for _, c := range dossiertest.Cases() {
		for _, lang := range []string{"en", "de"} {
			d := of(t, dossiertest.Whole(t, c), lang)
			for _, s := range d.Sections {
				if said := text(t, d, s.Name); strings.Contains(said, "%!") {
					t.Errorf("%s, %s, section %s: a place is not filled:\n%s", c.Name, lang, s.Name, said)
				}
			}
			if n := len(d.Sections); n != 14 {
				t.Errorf("%s, %s: %d sections, want 14", c.Name, lang, n)
			}
		}
	}
}
