package paper_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/dossier/dossiertest"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/paper"
	"curetally/internal/link/report/plots"
	"curetally/internal/link/report/words"
)

// words and places on the pages, in points from the upper left edge.
type word struct {
	text                     string
	left, top, right, bottom float64
}

func read(t *testing.T, document []byte) []word {
	t.Helper()
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Fatal("pdftotext is missing, by which PDF is read — install the Debian package poppler-utils")
	}
	file := filepath.Join(t.TempDir(), "pages.pdf")
	if err := os.WriteFile(file, document, 0o600); err != nil {
		t.Fatal(err)
	}
	said, err := exec.CommandContext(t.Context(), tool, "-bbox", file, "-").CombinedOutput()
	if err != nil {
		t.Fatalf("pdftotext: %v\n%s", err, said)
	}
	var out []word
	for _, m := range regexp.MustCompile(`<word xMin="([^"]+)" yMin="([^"]+)" xMax="([^"]+)" yMax="([^"]+)">([^<]*)<`).FindAllStringSubmatch(string(said), -1) {
		var at [4]float64
		for i := range at {
			if at[i], err = strconv.ParseFloat(m[1+i], 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, word{m[5], at[0], at[1], at[2], at[3]})
	}
	return out
}

func about() paper.About {
	return paper.About{Title: "Plots", Language: "en", At: time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC)}
}

// All labels of all plots lie on the page, and those of the vertical axes are turned.
func TestPlotsStayOnThePage(t *testing.T) {
	w, err := words.New("de")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range dossiertest.Cases()[:3] {
		var out bytes.Buffer
		err := paper.Write(&out, about(), func(s *paper.Sheet) {
			for _, f := range plots.Of(dossiertest.New(t, c), w) {
				s.Begin()
				if err := s.Plot(f, 250); err != nil {
					t.Error(err)
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		turned := 0
		all := read(t, out.Bytes())
		for _, x := range all {
			const mm = 72 / 25.4
			if x.left < paper.Left*mm-1 || x.right > paper.Right*mm+6 || x.top < paper.Top*mm-4 || x.bottom > 297*mm {
				t.Errorf("%s: %q runs over the edge: %+v", c.Name, x.text, x)
			}
			if len(x.text) > 3 && x.bottom-x.top > 1.5*(x.right-x.left) {
				turned++
			}
		}
		if turned < 6 {
			t.Errorf("%s: %d words are turned, want one on each plot at least", c.Name, turned)
		}
	}
}

func TestPlotThatCannotBeDrawn(t *testing.T) {
	s := paper.New(about(), 1)
	s.Begin()
	if err := s.Plot(figure.Figure{Name: "nothing", Title: "Nothing"}, 100); !errors.Is(err, figure.ErrFigure) {
		t.Errorf("%v, want ErrFigure", err)
	}
}

// A table of many rows goes on under its heads, and no row is lost.
func TestLongTableGoesOn(t *testing.T) {
	var out bytes.Buffer
	err := paper.Write(&out, about(), func(s *paper.Sheet) {
		s.Again = "Rows, continued"
		s.Begin()
		s.Table("Rows", "", []paper.Column{{Width: 40, Title: "name"}, {AtRight: true, Title: "value"}}, 200, func(i int) []paper.Cell {
			return []paper.Cell{{Text: fmt.Sprintf("row-%d", i)}, {Text: strconv.Itoa(1000 + i)}}
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]int{}
	for _, w := range read(t, out.Bytes()) {
		said[w.text]++
	}
	for i := range 200 {
		if name := fmt.Sprintf("row-%d", i); said[name] != 1 || said[strconv.Itoa(1000+i)] != 1 {
			t.Fatalf("%s stands %d times", name, said[name])
		}
	}
	if pages := said["page"]; pages < 3 || said["value"] != pages || said["continued"] != pages-1 {
		t.Errorf("%d pages, %d heads, %d continued", pages, said["value"], said["continued"])
	}
}

func TestPrintable(t *testing.T) {
	if got := paper.Printable("a\tb\xffc\U0001F600" + strings.Repeat("é", 2)); got != "a b?c?éé" {
		t.Errorf("%q", got)
	}
}
