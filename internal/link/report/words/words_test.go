package words

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

func speak(t *testing.T, lang string) *Words {
	t.Helper()
	w, err := New(lang)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// Every text is there in every language, with the same places to fill in.
func TestCatalogueIsWhole(t *testing.T) {
	c, err := read()
	if err != nil {
		t.Fatal(err)
	}
	langs, err := Languages()
	if err != nil || !slices.Contains(langs, "en") || !slices.Contains(langs, "de") {
		t.Fatalf("languages %v, %v", langs, err)
	}
	verbs := regexp.MustCompile(`%(\[\d\])?[a-z]|\{\}`)
	places := func(s string) []string {
		found := verbs.FindAllString(strings.ReplaceAll(s, "%%", ""), -1)
		if strings.Contains(s, "%[") { // places by number may come in another order
			slices.Sort(found)
		}
		return found
	}
	same := func(name string, said map[string]string) {
		for _, lang := range langs {
			text, ok := said[lang]
			switch {
			case !ok || strings.TrimSpace(text) == "":
				t.Errorf("%s: nothing in %s", name, lang)
			case !slices.Equal(places(text), places(said[source])):
				t.Errorf("%s: %s has places %v, %s has %v", name, lang, places(text), source, places(said[source]))
			}
		}
		if len(said) != len(langs) {
			t.Errorf("%s: %d languages, want %v", name, len(said), langs)
		}
	}
	for name, said := range c.Texts {
		same(name, said)
	}
	for _, p := range c.Phrases {
		same("phrase "+p[source], p)
	}
}

func TestFiguresFollowTheLanguage(t *testing.T) {
	day := time.Date(2026, 3, 29, 7, 5, 0, 0, time.FixedZone("CEST", 7200))
	for lang, want := range map[string][]string{
		"en": {"1,234,567.5", "−0.25", "0", "+12", "0.01235", "84.6\u00a0%", "29 Mar 2026", "29 Mar 2026 07:05 CEST", "Mar 2026", "1 day", "1,200 days"},
		"de": {"1.234.567,5", "−0,25", "0", "+12", "0,01235", "84,6\u00a0%", "29. Mär 2026", "29. Mär 2026 07:05 CEST", "Mär 2026", "1 Tag", "1.200 Tage"},
	} {
		w := speak(t, lang)
		got := []string{
			w.Number(1234567.5, 1), w.Number(-0.25, 2), w.Number(-0.2, 0), w.Signed(12, 0), w.Significant(0.0123456, 4),
			w.Percent(0.8464, 1), w.Date(day), w.Moment(day), w.Month(day, true), w.Count(1, "days"), w.Count(1200, "days"),
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", lang, got, want)
		}
	}
}

func TestPhrases(t *testing.T) {
	w := speak(t, "de")
	for english, want := range map[string]string{
		"no readings of m2/import any more":      "keine Ablesungen von m2/import mehr",
		"states of heron-2 cover 21.5 of 24.0 h": "Zustände von heron-2 decken 21,5 von 24,0 h",
		"more than one technology was lit":       "mehr als eine Lichtquelle brannte",
		"CV(RMSE) 31.2 %, limit 25 %: add a driver that explains the spread, or use longer periods": "CV(RMSE) 31,2 %, Grenze 25 %: eine Einflussgröße hinzunehmen, die die Streuung erklärt, oder längere Zeilen wählen",
		"something that somebody wrote": "something that somebody wrote",
	} {
		if got := w.Phrase(english); got != want {
			t.Errorf("%q becomes %q, want %q", english, got, want)
		}
		if got := speak(t, "en").Phrase(english); got != english {
			t.Errorf("English %q becomes %q", english, got)
		}
	}
}

func TestUnknownLanguage(t *testing.T) {
	if _, err := New("xx"); err == nil || !strings.Contains(err.Error(), "expected one of de, en") {
		t.Errorf("language xx: %v", err)
	}
}

func TestUnknownTextIsAMistakeOfTheProgram(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("an unknown text was written")
		}
	}()
	speak(t, "en").Text("no such text")
}
