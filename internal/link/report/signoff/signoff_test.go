package signoff

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"pgregory.net/rapid"

	"curetally/internal/link/report/paper"
)

func sample(values int) Record {
	r := Record{
		Site: "Alder Lane Labels", At: time.Date(2026, 3, 9, 8, 30, 0, 0, time.FixedZone("CET", 3600)),
		By: "Ann Example", Program: "curetally 1.2.3",
		Safety: "Panels are for licensed electricians. Never open the secondary of a current transformer on load: short it at the block first.",
		Notice: "A daemon with this configuration is running.",
	}
	m := Meter{
		Name: "heron-1-meter", Verdict: "doubtful", ValuesAt: "Mon 9 Mar 2026 08:29:59",
		Plate: [][2]string{{"Connection", "unit 3 on tcp://192.0.2.11:502, bus panel"}, {"Profile", "sunspec-203"}, {"Current transformer", "400 A primary, class 0.5S"}},
		Checks: []Check{
			{"setting", "good", "as configured, 15 of 15 values look plausible", ""},
			{"power", "good", "the meter says 9.000 kW; √3 × volts × amperes × power factor gives 9.000 kW", ""},
			{"transformer", "doubtful", "13.7 A is 3.4 % of the 400 A; class 0.5S allows ±1.5 % and ±90 minutes, 20 °C, 5 Ω", "fit a smaller one"},
			{"register", "wrong", "the register stands still while power flows", "check its address"},
		},
		Movements: []Movement{{"import", "import", "70 s", "0.175 kWh", "0.175 kWh"}, {"export", "export", "70 s", "0.000 kWh", "0.000 kWh"}},
	}
	for i := range values {
		v := Value{fmt.Sprintf("current_%d", i+1), "13.730", "A", "plausible", ""}
		if i%7 == 6 {
			v.Doubt = "expected -135 to 135 A"
		}
		m.Values = append(m.Values, v)
	}
	r.Meters = append(r.Meters, m)
	return r
}

// printed is one line of text as it stands on a page, in millimetres from its left
// and upper edge.
type printed struct {
	page       int
	x, y, size float64
	text       string
}

// read takes the texts out of a document, through its page streams and not
// through what drew them.
func read(t *testing.T, document []byte) []printed {
	t.Helper()
	if !bytes.HasPrefix(document, []byte("%PDF-1.")) || !bytes.HasSuffix(bytes.TrimSpace(document), []byte("%%EOF")) {
		t.Fatal("no PDF")
	}
	streams := regexp.MustCompile(`(?s)stream\r?\n(.*?)endstream`)
	var out []printed
	page := 0
	for _, stream := range streams.FindAllSubmatch(document, -1) {
		r, err := zlib.NewReader(bytes.NewReader(stream[1]))
		if err != nil {
			continue // not a compressed one
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(content, []byte(" Td (")) { // else it is a font
			page++
			out = append(out, readPage(t, page, content)...)
		}
	}
	return out
}

func readPage(t *testing.T, page int, content []byte) []printed {
	t.Helper()
	operation := regexp.MustCompile(`(?s)BT /F\w+ ([0-9.]+) Tf ET|BT ([0-9.]+) ([0-9.]+) Td \(((?:\\.|[^\\)])*)\)Tj ET`)
	escape := regexp.MustCompile(`(?s)\\.`)
	number := func(b []byte) float64 {
		f, err := strconv.ParseFloat(string(b), 64)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	var out []printed
	size := 0.0
	for _, op := range operation.FindAllSubmatch(content, -1) {
		if len(op[1]) > 0 {
			size = number(op[1])
			continue
		}
		raw := escape.ReplaceAllFunc(op[4], func(b []byte) []byte {
			if b[1] == 'r' {
				return []byte{'\r'}
			}
			return b[1:]
		})
		var units []uint16
		for i := 0; i+1 < len(raw); i += 2 {
			units = append(units, binary.BigEndian.Uint16(raw[i:]))
		}
		out = append(out, printed{page, number(op[2]) * paper.PerPoint, 297 - number(op[3])*paper.PerPoint, size, string(utf16.Decode(units))})
	}
	return out
}

func write(t *testing.T, r Record) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// joined is the text of all pages, without the breaks of lines.
func joined(all []printed) string {
	var b strings.Builder
	for _, p := range all {
		b.WriteString(p.text + " ")
	}
	return b.String()
}

func TestWrite_SaysEverything(t *testing.T) {
	r := sample(15)
	text := joined(read(t, write(t, r)))
	want := []string{
		"Commissioning record of meters", r.Site, r.By, r.Program, r.Safety, r.Notice, "Mon 9 Mar 2026 08:30:00 CET", "heron-1-meter", "DOUBTFUL",
		"unit 3 on tcp://192.0.2.11:502, bus panel", "400 A primary, class 0.5S", "as configured, read Mon 9 Mar 2026 08:29:59",
		"√3 × volts × amperes × power factor", "±90 minutes, 20 °C, 5 Ω", "→ fit a smaller one", "wrong", "not plausible: expected -135 to 135 A",
		"Electrician (licensed)", "Engineer", "Signature", "import import 70 s 0.175 kWh 0.175 kWh", "page 1 of ",
	}
	for i := range 15 {
		want = append(want, fmt.Sprintf("current_%d 13.730 A", i+1))
	}
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("%q is not in\n%s", w, text)
		}
	}
}

// Every meter begins a page of its own, and each page says which it is.
func TestWrite_SeveralMeters(t *testing.T) {
	r := sample(3)
	for _, name := range []string{"heron-2-meter", "heron-3-meter"} {
		r.Meters = append(r.Meters, Meter{Name: name, Problem: "no answer — check the meter's supply", Verdict: "wrong"})
	}
	got := read(t, write(t, r))
	if last := got[len(got)-1]; last.page != 3 {
		t.Errorf("%d pages", last.page)
	}
	for i, m := range r.Meters {
		for _, what := range []string{m.Name, "Alder Lane Labels · " + m.Name + " · Mon 9 Mar 2026 08:30:00 CET", fmt.Sprintf("page %d of 3", i+1)} {
			if !slices.ContainsFunc(got, func(p printed) bool { return p.page == i+1 && p.text == what }) {
				t.Errorf("page %d does not have %q", i+1, what)
			}
		}
	}
	if n := strings.Count(joined(got), "Electrician (licensed)"); n != 1 {
		t.Errorf("%d boxes to sign", n)
	}
}

func TestWrite_SameRecordSameBytes(t *testing.T) {
	first := write(t, sample(30))
	for range 3 {
		if !bytes.Equal(first, write(t, sample(30))) {
			t.Fatal("the same record gives other bytes")
		}
	}
	other := sample(30)
	other.Meters[0].Checks[0].Outcome = "wrong"
	if bytes.Equal(first, write(t, other)) {
		t.Error("another record gives the same bytes")
	}
}

// Whatever the texts are and however many: nothing runs over an edge or into the
// footer, and no verdict is lost.
func TestWrite_NothingOverflows(t *testing.T) {
	measured := paper.New(about(Record{}), 0).PDF
	width := func(p printed, style string) float64 {
		measured.SetFont(paper.Family, style, p.size)
		return measured.GetStringWidth(p.text)
	}
	text := rapid.OneOf(
		rapid.StringMatching(`[a-zA-Z0-9 .,;:/√Ω·°×±−→%()_-]{0,60}`), rapid.StringMatching(`[wWm]{0,400}`), rapid.StringMatching(`[a-z ]{0,900}`), rapid.String(),
	)
	records := rapid.Custom(func(t *rapid.T) Record { return drawnRecord(t, text) })
	for seed := range 25 { // each draws fonts, which is slow
		r := records.Example(seed)
		got := read(t, write(t, r))
		all := strings.ReplaceAll(joined(got), " ", "")
		for _, m := range r.Meters {
			for _, c := range m.Checks {
				for word := range strings.FieldsSeq(paper.Printable(c.Says)) {
					if len(word) < 20 && !strings.Contains(all, word) {
						t.Fatalf("example %d: %q is lost", seed, word)
					}
				}
			}
		}
		for _, p := range got {
			// Baselines: that of the last line of the content lies above its lower
			// edge, that of the footer below.
			if p.x < paper.Left-0.1 || p.y < paper.Top || p.y > paper.Bottom && p.y < paper.Bottom+7 || p.y > 297-8 {
				t.Fatalf("example %d runs over an edge: %+v", seed, p)
			}
			// The pages do not tell the style apart, so the narrower one counts.
			if w := min(width(p, ""), width(p, "B")); p.x+w > paper.Right+0.1 {
				t.Fatalf("example %d runs over the right edge: %+v, %.1f mm wide", seed, p, w)
			}
		}
	}
}

func drawnRecord(t *rapid.T, text *rapid.Generator[string]) Record {
	draw := func(what string) string { return text.Draw(t, what) }
	r := Record{
		Site: draw("site"), At: time.Unix(rapid.Int64Range(0, 1<<33).Draw(t, "at"), 0).UTC(), By: draw("by"),
		Program: draw("program"), Safety: draw("safety"), Notice: draw("notice"),
	}
	for range rapid.IntRange(0, 2).Draw(t, "meters") {
		m := Meter{Name: draw("name"), Problem: draw("problem"), Verdict: rapid.SampledFrom([]string{"good", "doubtful", "wrong", "open", ""}).Draw(t, "verdict"), ValuesAt: "now"}
		m.Plate = [][2]string{{"Connection", draw("plate")}}
		for range rapid.IntRange(0, 40).Draw(t, "values") {
			m.Values = append(m.Values, Value{draw("value"), "-1.234e+12", "kWh", "", draw("doubt")})
		}
		for range rapid.IntRange(0, 5).Draw(t, "checks") {
			m.Checks = append(m.Checks, Check{"transformer", "doubtful", draw("says"), draw("remedy")})
		}
		r.Meters = append(r.Meters, m)
	}
	return r
}
