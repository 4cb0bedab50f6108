package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the golden files anew")

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// heron is half a year of arc baseline, a change-over and ten weeks of LED on
// press Heron of Alder Lane Labels, five days a week.
func heron(z *time.Location) []Day {
	rng := rand.New(rand.NewPCG(7, 11))
	start := time.Date(2025, 11, 3, 0, 0, 0, 0, z)
	var days []Day
	var saved, variance float64
	for i := range 26*7 + 2 + 70 {
		day := start.AddDate(0, 0, i)
		d := Day{Day: day, Period: PeriodBaseline, Expected: math.NaN()}
		work := day.Weekday() != time.Saturday && day.Weekday() != time.Sunday
		load := 600 + 180*rng.Float64()
		if !work {
			load = 12
		}
		switch {
		case i < 26*7:
			d.Expected = load
			d.Actual = load * (1 + 0.05*rng.NormFloat64())
		case i < 26*7+2:
			d.Period, d.Actual = PeriodNone, 40
		default:
			d.Period, d.Expected, d.Actual = PeriodReporting, load, load*0.28+8*rng.Float64()
			saved += d.Expected - d.Actual
			variance += 0.05 * 0.05 * load * load
			d.Saved, d.HalfWidth = saved, 1.645*math.Sqrt(variance)+0.02*saved
		}
		days = append(days, d)
	}
	return days
}

func options(t *testing.T) PlotOptions {
	return PlotOptions{ID: "heron-led", Title: "Heron: arc to LED", Zone: zone(t, "Europe/Berlin"), Confidence: 0.9}
}

func TestSavingsPlotIsTheGoldenPicture(t *testing.T) {
	for _, c := range []struct {
		file          string
		width, height float64
	}{{"savings.svg", 0, 0}, {"savings-narrow.svg", 340, 360}} {
		opt := options(t)
		opt.Width, opt.Height = c.width, c.height
		got, err := SavingsPlot(heron(opt.Zone), opt)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join("testdata", c.file)
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from the drawing; look at both, then run the test with -update", path)
		}
	}
}

func TestSavingsPlotGivesTheSameBytesAgain(t *testing.T) {
	opt := options(t)
	first, err := SavingsPlot(heron(opt.Zone), opt)
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		again, err := SavingsPlot(heron(opt.Zone), opt)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first, again) {
			t.Fatal("the same days gave another drawing")
		}
	}
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

func TestSavingsPlotFitsAPageWithAStrictPolicy(t *testing.T) {
	opt := options(t)
	svg, err := SavingsPlot(heron(opt.Zone), opt)
	if err != nil {
		t.Fatal(err)
	}
	values, text := attrs(t, svg)
	for _, name := range []string{"style", "onload", "href", "font-family"} {
		if got := values[name]; len(got) > 0 {
			t.Errorf("attribute %s occurs (%q): the page's policy or font would be overruled", name, got[0])
		}
	}
	if bytes.Contains(svg, []byte("FE01")) {
		t.Error("a stand-in colour is left in the drawing")
	}
	if got := values["role"]; !slices.Equal(got, []string{"img"}) {
		t.Errorf("role %q, want one img", got)
	}
	if got := values["aria-labelledby"]; !slices.Equal(got, []string{"heron-led-title heron-led-desc"}) {
		t.Errorf("aria-labelledby %q", got)
	}
	for _, want := range []string{
		"Heron: arc to LED", "kWh per day", "kWh saved", "day, Europe/Berlin", "baseline", "reporting", "saved, band at 90 %",
		"The reporting period runs from 6 May 2026 to 14 Jul 2026.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("text lacks %q", want)
		}
	}
}

func TestSavingsPlotEscapesItsTitle(t *testing.T) {
	opt := options(t)
	opt.Title = `</title><script>alert("x")</script>`
	svg, err := SavingsPlot(heron(opt.Zone), opt)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(svg, []byte("<script")) {
		t.Error("the title became an element")
	}
	if _, text := attrs(t, svg); !strings.Contains(text, opt.Title) {
		t.Error("the title is not there as text")
	}
}

// A local day of 23 or 25 hours is one day wide, also in a zone whose midnight
// is not a whole hour of UTC.
func TestDaysStandOneApartAcrossClockChanges(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"} {
		z := zone(t, name)
		var days []Day
		for i := range 400 {
			days = append(days, Day{Day: time.Date(2026, 1, 1+i, 0, 0, 0, 0, z).UTC(), Actual: 1, Expected: 1})
		}
		s, err := newSeries(days, z)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i, at := range s.at {
			if at != float64(i) {
				t.Fatalf("%s: day %d stands at %v", name, i, at)
			}
		}
	}
}

func TestSavingsPlotDrawsShortAndOddSeries(t *testing.T) {
	z := zone(t, "Europe/Berlin")
	day := func(n int) time.Time { return time.Date(2026, 3, 3+n, 0, 0, 0, 0, z) }
	for name, days := range map[string][]Day{
		"one day":            {{Day: day(0), Actual: 5, Expected: math.NaN()}},
		"nothing metered":    {{Day: day(0)}, {Day: day(1)}},
		"first day reported": {{Day: day(0), Period: PeriodReporting, Actual: 3, Expected: 9, Saved: 6, HalfWidth: math.NaN()}},
		"losing":             {{Day: day(0), Period: PeriodReporting, Actual: 9, Expected: 3, Saved: -6, HalfWidth: 2}, {Day: day(9), Period: PeriodReporting, Actual: 9, Expected: 3, Saved: -12, HalfWidth: 3}},
		"net producer":       {{Day: day(0), Actual: -4, Expected: 2}},
	} {
		opt := options(t)
		svg, err := SavingsPlot(days, opt)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		attrs(t, svg)
		for _, bad := range []string{"NaN", "Inf"} {
			if bytes.Contains(svg, []byte(bad)) {
				t.Errorf("%s: %s in the drawing", name, bad)
			}
		}
	}
}

func TestSavingsPlotRefusesWhatItCannotDraw(t *testing.T) {
	opt := options(t)
	good := heron(opt.Zone)
	change := func(f func([]Day) []Day) []Day { return f(slices.Clone(good)) }
	for name, c := range map[string]struct {
		days []Day
		opt  func(*PlotOptions)
		want string
	}{
		"no days":      {days: nil, want: "no days"},
		"twice":        {days: change(func(d []Day) []Day { d[5].Day = d[4].Day; return d }), want: "day 2025-11-07 does not come after 2025-11-07"},
		"not a number": {days: change(func(d []Day) []Day { d[2].Actual = math.NaN(); return d }), want: "day 2025-11-05"},
		"infinite":     {days: change(func(d []Day) []Day { d[2].Expected = math.Inf(1); return d }), want: "day 2025-11-05"},
		"bad band":     {days: change(func(d []Day) []Day { d[len(d)-1].HalfWidth = -1; return d }), want: "half-width"},
		"no zone":      {days: good, opt: func(o *PlotOptions) { o.Zone = nil }, want: "zone"},
		"no title":     {days: good, opt: func(o *PlotOptions) { o.Title = "" }, want: "title"},
		"bad id":       {days: good, opt: func(o *PlotOptions) { o.ID = `a"b` }, want: "id"},
		"no size":      {days: good, opt: func(o *PlotOptions) { o.Width = math.NaN() }, want: "size"},
	} {
		o := opt
		if c.opt != nil {
			c.opt(&o)
		}
		_, err := SavingsPlot(c.days, o)
		if !errors.Is(err, ErrPlot) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want ErrPlot naming %q", name, err, c.want)
		}
	}
}
