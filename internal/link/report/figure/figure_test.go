package figure

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/unit"
)

// sample has every kind of mark.
func sample() Figure {
	points := []Point{{1, 2, 3}, {2, 3, 1}, {3, 1, 2}}
	p := Panel{
		X:     Axis{Label: "day", Low: 0, High: 4, Ticks: []Tick{{1, "one"}, {2, "two"}, {3, "three"}}},
		Y:     Axis{Label: "kWh per day", Low: 0, High: 4, Ticks: Steps(0, 4, unit.Group)},
		Marks: []Mark{{Kind: Name, Ink: Text, Text: "baseline", Points: []Point{{X: 0, To: 2}}}},
	}
	for k := Line; k <= Edge; k++ {
		p.Marks = append(p.Marks, Mark{Kind: k, Ink: Metered + Ink(k), Key: "mark " + strconv.Itoa(int(k)), Wide: 0.5, Points: points})
	}
	return Figure{Name: "sample", Title: "All marks", Says: "Each kind once.", Panels: []Panel{p, p}}
}

func drawn(t *testing.T, f Figure, o Options) []byte {
	t.Helper()
	svg, err := SVG(f, o)
	if err != nil {
		t.Fatal(err)
	}
	return svg
}

// attrs collects all attributes and all text of a well-formed drawing.
func attrs(t *testing.T, svg []byte) (values map[string][]string, text string) {
	t.Helper()
	values = map[string][]string{}
	dec := xml.NewDecoder(bytes.NewReader(svg))
	var b strings.Builder
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return values, b.String()
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch v := tok.(type) {
		case xml.StartElement:
			for _, a := range v.Attr {
				values[a.Name.Local] = append(values[a.Name.Local], a.Value)
			}
		case xml.CharData:
			b.WriteString(string(v) + "\n")
		}
	}
}

func TestDrawingFitsAPageWithAStrictPolicy(t *testing.T) {
	svg := drawn(t, sample(), Options{Suffix: "-narrow", Width: Narrow})
	values, text := attrs(t, svg)
	for _, name := range []string{"style", "onload", "href", "font-family"} {
		if got := values[name]; len(got) > 0 {
			t.Errorf("attribute %s occurs (%q): the page's policy or font would be overruled", name, got[0])
		}
	}
	if bytes.Contains(svg, []byte("FE01")) || bytes.Contains(svg, []byte("fe01")) {
		t.Error("a stand-in colour is left in the drawing")
	}
	if got := values["role"]; !slices.Equal(got, []string{"img"}) {
		t.Errorf("role %q, want one img", got)
	}
	if got := values["aria-labelledby"]; !slices.Equal(got, []string{"sample-narrow-title sample-narrow-desc"}) {
		t.Errorf("aria-labelledby %q", got)
	}
	for _, want := range []string{"All marks", "Each kind once.", "kWh per day", "three", "baseline", "mark 0", "mark 7"} {
		if !strings.Contains(text, want) {
			t.Errorf("text lacks %q", want)
		}
	}
	for _, class := range []string{"plot-text", "plot-axis", "plot-grid", "plot-metered", "plot-other-dot", "plot-expected", "plot-saved", "plot-band", "plot-limit"} {
		if !slices.Contains(values["class"], class) {
			t.Errorf("nothing is drawn in %s", class)
		}
	}
}

func TestSameFigureSameBytes(t *testing.T) {
	first := drawn(t, sample(), Options{})
	for range 5 {
		if !bytes.Equal(first, drawn(t, sample(), Options{})) {
			t.Fatal("the same figure gave another drawing")
		}
	}
}

func TestTitleIsEscaped(t *testing.T) {
	f := sample()
	f.Title = `</title><script>alert("x")</script>`
	svg := drawn(t, f, Options{})
	if bytes.Contains(svg, []byte("<script")) {
		t.Error("the title became an element")
	}
	if _, text := attrs(t, svg); !strings.Contains(text, f.Title) {
		t.Error("the title is not there as text")
	}
}

func TestWhatCannotBeDrawnIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Figure, *Options)
		want   string
	}{
		"no panel":     {func(f *Figure, _ *Options) { f.Panels = nil }, "nothing to draw"},
		"bad name":     {func(f *Figure, _ *Options) { f.Name = `a"b` }, "id"},
		"no title":     {func(f *Figure, _ *Options) { f.Title = "" }, "title"},
		"not a number": {func(f *Figure, _ *Options) { f.Panels[0].Marks[1].Points = []Point{{X: 1, Y: math.NaN()}} }, "finite"},
		"infinite end": {func(f *Figure, _ *Options) { f.Panels[1].Marks[1].Points = []Point{{To: math.Inf(1)}} }, "not a finite number"},
		"empty axis":   {func(f *Figure, _ *Options) { f.Panels[0].Y.High = 0 }, "range that rises"},
		"no size":      {func(_ *Figure, o *Options) { o.Width = math.NaN() }, "size"},
	} {
		f, o := sample(), Options{}
		c.change(&f, &o)
		if _, err := SVG(f, o); !errors.Is(err, ErrFigure) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want ErrFigure naming %q", name, err, c.want)
		}
	}
}

// Labels of a narrow drawing do not run into each other; a wide one has them all.
func TestLabelsHaveRoom(t *testing.T) {
	f := sample()
	f.Panels = f.Panels[:1]
	x := &f.Panels[0].X
	x.Low, x.High, x.Ticks = 0, 24, nil
	for i := range 24 {
		x.Ticks = append(x.Ticks, Tick{float64(i), "label" + strconv.Itoa(i)})
	}
	count := func(width float64) int {
		return len(regexp.MustCompile(`>label\d+<`).FindAll(drawn(t, f, Options{Width: width, Height: 300}), -1))
	}
	if wide, narrow := count(4000), count(Narrow); wide != 24 || narrow < 4 || narrow > 8 {
		t.Errorf("%d labels wide, %d narrow; want 24, and 4 to 8", wide, narrow)
	}
}

// A local day of 23 or 25 hours is one day wide, also in a zone whose midnight
// is not a whole hour of UTC.
func TestDaysStandOneApartAcrossClockChanges(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"} {
		z, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		day := func(i int) time.Time { return time.Date(2026, 1, 1+i, 0, 0, 0, 0, z).UTC() }
		c := NewCalendar(day(0), z)
		for i := range 400 {
			if at := c.At(day(i)); at != float64(i) || c.Date(at).Format(time.DateOnly) != day(i).In(z).Format(time.DateOnly) {
				t.Fatalf("%s: day %d stands at %v, %s", name, i, at, c.Date(at))
			}
		}
	}
}

// plain writes dates for the test.
type plain struct{}

func (plain) DayMonth(t time.Time) string { return t.Format("2 Jan") }

func (plain) Month(t time.Time, year bool) string {
	if year {
		return t.Format("Jan 2006")
	}
	return t.Format("Jan")
}

func TestTicksOfDays(t *testing.T) {
	c := NewCalendar(time.Date(2025, 12, 10, 0, 0, 0, 0, time.UTC), time.UTC)
	for days, want := range map[float64]string{2: "10 Dec", 20: "15 Dec, 22 Dec, 29 Dec", 100: "Jan 2026, Feb, Mar"} {
		var got []string
		for _, tick := range c.Ticks(-0.75, days+0.75, plain{}) {
			got = append(got, tick.Label)
		}
		if said := strings.Join(got, ", "); said != want {
			t.Errorf("%v days: %q, want %q", days, said, want)
		}
	}
}

func TestQuantityTicksAreFewAndRound(t *testing.T) {
	for _, high := range []float64{1, 1.16, 7, 42, 99, 905, 12345, 9.9e6} {
		ticks := Steps(0, high, unit.Group)
		if len(ticks) < 3 || len(ticks) > 8 {
			t.Errorf("0 to %v: %d ticks, want 3 to 8", high, len(ticks))
		}
		if ticks[0].At != 0 {
			t.Errorf("0 to %v: first tick %v, want 0", high, ticks[0].At)
		}
	}
}
