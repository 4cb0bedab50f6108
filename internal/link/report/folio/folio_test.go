package folio_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"curetally/internal/core/dossier"
	"curetally/internal/core/dossier/dossiertest"
	"curetally/internal/link/report/document"
	"curetally/internal/link/report/folio"
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
	if err := folio.Write(&out, d, speak(t, lang)); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// poppler asks a tool that is not ours about a document.
func poppler(t *testing.T, document []byte, name string, args ...string) string {
	t.Helper()
	tool, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is missing, by which PDF is read — install the Debian package poppler-utils", name)
	}
	file := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(file, document, 0o600); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		args[i] = strings.Replace(a, "FILE", file, 1)
	}
	said, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", name, err, said)
	}
	return string(said)
}

// spaced takes the breaks of lines out of a text.
func spaced(s string) string { return strings.Join(strings.Fields(s), " ") }

// Every text and figure of the document can be read out of the pages, in each language.
func TestPagesSayTheDocument(t *testing.T) {
	for i, lang := range []string{"en", "de"} {
		d := dossiertest.Whole(t, dossiertest.Cases()[3*i])
		pdf := written(t, d, lang)
		raw := spaced(poppler(t, pdf, "pdftotext", "-raw", "FILE", "-"))
		doc := document.Of(d, speak(t, lang))
		has := func(section, text string) {
			// Cells are broken within themselves, so each word is looked for.
			for word := range strings.FieldsSeq(text) {
				if len(word) < 40 && !strings.Contains(raw, word) {
					t.Errorf("%s, section %s: %q of %q is not on the pages", lang, section, word, text)
				}
			}
		}
		for _, s := range doc.Sections {
			for _, b := range s.Blocks {
				switch x := b.(type) {
				case document.Lead:
					if !strings.Contains(raw, spaced(string(x))) {
						t.Errorf("%s: the result is not on the pages as it is said: %q", lang, x)
					}
				case document.Table:
					for _, r := range append(x.Rows, x.Heads, []string{x.Title}) {
						for _, c := range r {
							has(s.Name, c)
						}
					}
				case document.Plot:
					has(s.Name, x.Title+" "+x.Says)
					for _, p := range x.Panels {
						has(s.Name, p.X.Label+" "+p.Y.Label)
					}
				}
			}
		}
	}
}

// Plots are lines and letters, not pictures of dots; fonts are embedded, and no sign is
// one that the font does not have.
func TestPagesAreVectorsWithTheirFonts(t *testing.T) {
	pdf := written(t, dossiertest.Whole(t, dossiertest.Cases()[0]), "en")
	if images := strings.Split(strings.TrimSpace(poppler(t, pdf, "pdfimages", "-list", "FILE")), "\n"); len(images) > 2 {
		t.Errorf("there are pictures on the pages: %q", images)
	}
	fonts := strings.Split(strings.TrimSpace(poppler(t, pdf, "pdffonts", "FILE")), "\n")[2:]
	for _, f := range fonts {
		if columns := strings.Fields(f); len(columns) < 5 || columns[len(columns)-5] != "yes" {
			t.Errorf("a font is not embedded: %s", f)
		}
	}
	if strange := regexp.MustCompile(`[\x{2070}\x{2074}-\x{209F}\x{FFFD}]`).FindString(poppler(t, pdf, "pdftotext", "FILE", "-")); strange != "" {
		t.Errorf("the font has no sign for %q", strange)
	}
}

// Each page says of what it is and how many there are.
func TestEveryPageIsNumbered(t *testing.T) {
	all := map[string]dossier.Dossier{"survey": dossiertest.Surveyed(t)}
	for _, c := range dossiertest.Cases() {
		all[c.Name] = dossiertest.New(t, c)
	}
	for name, d := range all {
		pages := strings.Split(strings.TrimSuffix(poppler(t, written(t, d, "en"), "pdftotext", "FILE", "-"), "\f"), "\f")
		for i, p := range pages {
			foot := "page " + strconv.Itoa(i+1) + " of " + strconv.Itoa(len(pages))
			if said := spaced(p); !strings.Contains(said, foot) || !strings.Contains(said, "Alder Lane Labels · heron-led · ") {
				t.Errorf("%s: page %d lacks %q or of what it is", name, i+1, foot)
			}
		}
	}
}

func TestSameDossierSameBytes(t *testing.T) {
	d := dossiertest.Whole(t, dossiertest.Cases()[0])
	first := written(t, d, "de")
	for range 2 {
		if !bytes.Equal(first, written(t, d, "de")) {
			t.Fatal("the pages differ from one writing to the next")
		}
	}
}
