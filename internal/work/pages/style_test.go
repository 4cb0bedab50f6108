package pages

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// palette reads the custom properties of the style sheet's blocks that hold
// colours, keyed by light, dark and print.
func palette(t *testing.T) map[string]map[string]string {
	t.Helper()
	css, err := files.ReadFile("static/page.css")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile(`:root \{([^}]*)\}`).FindAllStringSubmatch(string(css), -1)
	if len(blocks) != 3 {
		t.Fatalf("%d :root blocks, want light, dark and print", len(blocks))
	}
	out := map[string]map[string]string{}
	for i, name := range []string{"light", "dark", "print"} {
		out[name] = map[string]string{}
		for _, m := range regexp.MustCompile(`--(\w+): (#[0-9a-f]+);`).FindAllStringSubmatch(blocks[i][1], -1) {
			out[name][m[1]] = m[2]
		}
	}
	return out
}

// luminance is the relative luminance of "#rgb" or "#rrggbb".
// Source: WCAG 2.2, definition of relative luminance.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	digits := strings.TrimPrefix(hex, "#")
	if len(digits) == 3 {
		digits = string([]byte{digits[0], digits[0], digits[1], digits[1], digits[2], digits[2]})
	}
	var l float64
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(digits[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatalf("colour %q: %v", hex, err)
		}
		c := float64(v) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		l += weight * c
	}
	return l
}

func contrast(t *testing.T, a, b string) float64 {
	la, lb := luminance(t, a), luminance(t, b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func TestContrastFormula(t *testing.T) {
	// Source: WCAG 2.2, definition of contrast ratio: black on white is 21:1.
	if got := contrast(t, "#000", "#ffffff"); math.Abs(got-21) > 1e-9 {
		t.Errorf("black on white: %v, want 21", got)
	}
	// From memory: #767676 is the lightest grey that passes 4.5 on white.
	if got := contrast(t, "#767676", "#fff"); got < 4.5 || got > 4.6 {
		t.Errorf("#767676 on white: %v, want just above 4.5", got)
	}
}

// Source: WCAG 2.2, success criteria 1.4.3 (text, 4.5) and 1.4.11 (marks, 3).
// Every ink is used for text, so all are held to 4.5 on both papers.
func TestTextIsReadable(t *testing.T) {
	for scheme, colours := range palette(t) {
		for _, ink := range []string{"ink", "soft", "teal", "rust", "ochre"} {
			for _, paper := range []string{"paper", "sheet"} {
				if got := contrast(t, colours[ink], colours[paper]); got < 4.5 {
					t.Errorf("%s: %s on %s has a contrast of %.2f, want 4.5", scheme, ink, paper, got)
				}
			}
		}
	}
}

func TestStyleSheetUsesNoOtherColour(t *testing.T) {
	css, err := files.ReadFile("static/page.css")
	if err != nil {
		t.Fatal(err)
	}
	rest := regexp.MustCompile(`:root \{[^}]*\}`).ReplaceAllString(string(css), "")
	if found := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|\brgba?\(|\bhsla?\(`).FindString(rest); found != "" {
		t.Errorf("colour %s is outside the palette, where no test sees its contrast", found)
	}
	if strings.Contains(rest, "url(") || strings.Contains(rest, "@import") {
		t.Error("the style sheet loads something: the page must need nothing from outside")
	}
}

func TestEveryStateHasItsOwnShape(t *testing.T) {
	page, err := files.ReadFile("templates/marks.html")
	if err != nil {
		t.Fatal(err)
	}
	shapes := map[string]string{}
	for _, m := range regexp.MustCompile(`(?s)<symbol id="mark-([a-z-]+)"[^>]*>(.*?)</symbol>`).FindAllStringSubmatch(string(page), -1) {
		for other, shape := range shapes {
			if shape == m[2] {
				t.Errorf("%s and %s have the same shape", m[1], other)
			}
		}
		shapes[m[1]] = m[2]
	}
	for _, word := range []string{
		"state-off", "state-starting", "state-standby", "state-curing", "state-cooling", "state-fault", "state-unknown", "task-upcoming", "task-due", "task-overdue",
	} {
		if shapes[word] == "" {
			t.Errorf("no shape for %q", word)
		}
	}
}
