package sheet

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func berlin(t testing.TB) *time.Location {
	t.Helper()
	z, err := Zone("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

var timeValue = Columns{Required: []string{"time", "value"}, Optional: []string{"note"}}

// all reads a file of time and value and gives a line for each row: what was
// read or what is wrong.
func all(t *testing.T, text string, f Format) []string {
	t.Helper()
	rows, err := Stream("a.csv", strings.NewReader(text), f, timeValue)
	if err != nil {
		return strings.Split(err.Error(), "\n")
	}
	var got []string
	for rows.Next() {
		at, v := rows.Time("time"), rows.Units("value", 1000)
		if len(rows.Problems()) == 0 {
			got = append(got, fmt.Sprintf("%d %s %d %s", rows.Line(), at.Format(time.RFC3339Nano), v, rows.Text("note")))
			continue
		}
		for _, p := range rows.Problems() {
			got = append(got, p.Error())
		}
	}
	if rows.Err() != nil {
		got = append(got, rows.Err().Error())
	}
	return got
}

func TestRows_AsPeopleWriteThem(t *testing.T) {
	text := "\ufeffNote; Zählerstand ;Zeit\nfirst;12,5;2026-03-02 07:00\n\"a; b\";-0,0005;2026-03-02T07:15:30,25\n;3;2026-07-02T07:00:00Z\n;3;2026-07-02 07:00+05:30\n"
	f := Format{DecimalComma: true, Zone: berlin(t), Headers: map[string]string{"time": "zeit", "value": "Zählerstand"}}
	want := []string{
		"2 2026-03-02T06:00:00Z 12500 first",
		"3 2026-03-02T06:15:30.25Z -1 a; b",
		"4 2026-07-02T07:00:00Z 3000 ",
		"5 2026-07-02T01:30:00Z 3000 ",
	}
	if d := cmp.Diff(want, all(t, text, f)); d != "" {
		t.Errorf("rows (-want +got):\n%s", d)
	}
	f = Format{Delimiter: '\t', Zone: berlin(t), TimeLayout: "02.01.2006 15:04"}
	if d := cmp.Diff([]string{"2 2026-07-02T05:00:00Z 1500 "}, all(t, "value\ttime\n1.5\t02.07.2026 07:00\n", f)); d != "" {
		t.Errorf("stated layout (-want +got):\n%s", d)
	}
}

func TestRows_EachProblemHasItsPlace(t *testing.T) {
	text := strings.Join([]string{
		"time,value,note",
		"yesterday,1,",
		"2026-02-29T06:00:00Z,1,",
		"2026-03-02T06:00:00Z,\"1,5\",",
		"2026-03-02T06:00:00Z,1 kWh,",
		"2026-03-02T06:00:00Z,1",
		"2026-03-02T06:00:00Z,1,a\"b",
		"2026-03-29 02:30,1,",
		"2026-10-25 02:30,1e99,",
		"2026-03-02T06:00:00Z,1,fine",
	}, "\n")
	want := []string{
		`a.csv:2: time: "yesterday" is no instant: expected an instant such as 2026-03-02T06:00:00Z, or 2026-03-02 07:00 in a time zone that is stated`,
		`a.csv:3: time: "2026-02-29T06:00:00Z" is no instant: expected an instant such as 2026-03-02T06:00:00Z, or 2026-03-02 07:00 in a time zone that is stated`,
		`a.csv:4: value: "1,5" has a comma: state with --decimal-comma that it is the decimal mark, or remove it`,
		`a.csv:5: value: "1 kWh" is no number: expected one such as 1234.5`,
		`a.csv:6: 2 cells, the header has 3`,
		`a.csv:7: bare " in non-quoted-field`,
		`a.csv:8: time: 2026-03-29 02:30:00 does not exist in Europe/Berlin: clocks are set forward over it — state the zone in which the file was written with --zone, or write offsets`,
		`a.csv:9: time: 2026-10-25 02:30:00 exists twice in Europe/Berlin, because clocks are set back: say which is meant with --ambiguous, or write offsets`,
		`a.csv:9: value: "1e99" is no number: expected one such as 1234.5`,
		`10 2026-03-02T06:00:00Z 1000 fine`,
	}
	if d := cmp.Diff(want, all(t, text, Format{Zone: berlin(t)})); d != "" {
		t.Errorf("problems (-want +got):\n%s", d)
	}
	want = []string{
		`a.csv:1: time: this column is missing: the header has zeit;wert, value, value (cells are separated by ',')`,
		`a.csv:1: value: two columns have this name: rename one of them`,
		`a.csv:1: remark: this column is missing: the header has zeit;wert, value, value (cells are separated by ',')`,
	}
	if d := cmp.Diff(want, all(t, "zeit;wert,value,value\n", Format{Headers: map[string]string{"note": "remark"}})); d != "" {
		t.Errorf("header (-want +got):\n%s", d)
	}
}

// A quote that never closes must not take a file of any size into memory.
func TestRows_UnclosedQuoteIsBounded(t *testing.T) {
	read := 0
	endless := readerFunc(func(p []byte) (int, error) {
		for i := range p {
			p[i] = 'x'
		}
		read += len(p)
		return len(p), nil
	})
	rows, err := Stream("a.csv", io.MultiReader(strings.NewReader("time,value\n1,\""), endless), Format{}, timeValue)
	if err != nil {
		t.Fatal(err)
	}
	if rows.Next() || !errors.Is(rows.Err(), errLongRow) || read > 2*maxRow {
		t.Errorf("read %d bytes of the row, then %v", read, rows.Err())
	}
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

// Source: IANA time zone database: Berlin sets clocks back on 25 October 2026 at
// 03:00 CEST; Lord Howe by half an hour on 5 April 2026 at 02:00; Apia had no
// 30 December 2011.
func TestInstants_OfClockChanges(t *testing.T) {
	for _, tt := range []struct {
		zone, text string
		twice      Twice
		want       string // empty for a problem
	}{
		{"Europe/Berlin", "2026-10-25 01:59:59", "", "2026-10-24T23:59:59Z"},
		{"Europe/Berlin", "2026-10-25 02:00", "", ""},
		{"Europe/Berlin", "2026-10-25 02:00", TwiceEarlier, "2026-10-25T00:00:00Z"},
		{"Europe/Berlin", "2026-10-25 02:59", TwiceLater, "2026-10-25T01:59:00Z"},
		{"Europe/Berlin", "2026-10-25 03:00", "", "2026-10-25T02:00:00Z"},
		{"Europe/Berlin", "2026-03-29 02:00", TwiceLater, ""},
		{"Europe/Berlin", "2026-03-29 03:00", "", "2026-03-29T01:00:00Z"},
		{"Australia/Lord_Howe", "2026-04-05 01:45", "", ""},
		{"Australia/Lord_Howe", "2026-04-05 01:45", TwiceLater, "2026-04-04T15:15:00Z"},
		{"Pacific/Apia", "2011-12-30 12:00", "", ""},
		{"+01:00", "2026-03-29 02:30", "", "2026-03-29T01:30:00Z"},
	} {
		zone, err := Zone(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		c := newClock(Format{Zone: zone, Twice: tt.twice})
		got, err := c.parse(tt.text)
		if (err != nil) != (tt.want == "") || (err == nil && got.Format(time.RFC3339) != tt.want) {
			t.Errorf("%s in %s: got %v, %v; want %q", tt.text, tt.zone, got, err, tt.want)
		}
	}
	for _, name := range []string{"", "Local", "Europe/Atlantis", "+1"} {
		if _, err := Zone(name); err == nil {
			t.Errorf("zone %q was taken", name)
		}
	}
}

// Any instant, written in local time, is read back; where the local time exists
// twice, as the earlier or the later of the two.
func TestInstants_ReadBackWhatWasWritten(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "Australia/Lord_Howe", "America/Santiago", "UTC"} {
		zone, err := Zone(name)
		if err != nil {
			t.Fatal(err)
		}
		earlier, later := newClock(Format{Zone: zone, Twice: TwiceEarlier}), newClock(Format{Zone: zone, Twice: TwiceLater})
		rapid.Check(t, func(t *rapid.T) {
			at := time.UnixMicro(rapid.Int64Range(946684800_000000, 4102444800_000000).Draw(t, "micros")).UTC()
			text := at.In(zone).Format("2006-01-02 15:04:05.000000")
			a, err1 := earlier.parse(text)
			b, err2 := later.parse(text)
			if err1 != nil || err2 != nil || (!a.Equal(at) && !b.Equal(at)) || a.After(b) {
				t.Fatalf("%s in %s: %v, %v; %v, %v", text, zone, a, err1, b, err2)
			}
			if c, err := earlier.parse(at.In(zone).Format(time.RFC3339Nano)); err != nil || !c.Equal(at) {
				t.Fatalf("%v with its offset: %v, %v", at, c, err)
			}
		})
	}
}

func TestDecimal_IsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		units, perOne := rapid.Int64().Draw(t, "units"), rapid.SampledFrom([]int64{1, 1000, 10_000, 1_000_000, 1_000_000_000}).Draw(t, "perOne")
		text := Decimal(units, perOne)
		if got, err := Units(text, perOne); err != nil || got != units {
			t.Fatalf("%d of %d is written %s and read %d, %v", units, perOne, text, got, err)
		}
	})
	for text, want := range map[int64]string{-5: "-0.000005", 12_500_000: "12.500000", 0: "0.000000"} {
		if got := Decimal(text, 1_000_000); got != want {
			t.Errorf("%d is written %s, want %s", text, got, want)
		}
	}
}

// What is taken is what a slower way of reading makes of it; nothing panics.
func FuzzRows(f *testing.F) {
	f.Add("time,value\n2026-03-02T06:00:00Z,1\n2026-10-25 02:30,0.0000019\n", false)
	f.Add("time;value\n2026-03-02 06:00;1,5\n", true)
	f.Add("\"\n\"\"\x00", false)
	zone := berlin(f)
	f.Fuzz(func(t *testing.T, text string, comma bool) {
		rows, err := Stream("f.csv", strings.NewReader(text), Format{DecimalComma: comma, Zone: zone}, timeValue)
		if err != nil {
			return
		}
		for rows.Next() {
			at := rows.Time("time")
			v := rows.Units("value", 1000)
			if note := rows.Text("note"); strings.ContainsRune(note, 0) {
				t.Errorf("line %d: %q was taken for text", rows.Line(), note)
			}
			if len(rows.Problems()) > 0 {
				continue
			}
			cell, _ := rows.cell("time")
			day := at.In(zone).Format(time.DateOnly)
			if !strings.ContainsAny(cell[10:], "zZ+-") && !strings.HasPrefix(cell, day) {
				t.Errorf("%q was taken for %v", cell, at)
			}
			number, _ := rows.number("value")
			if slow, err := Units(number+"e0", 1000); err == nil && slow != v {
				t.Errorf("%q was taken for %d, exactly it is %d", number, v, slow)
			}
		}
	})
}

func BenchmarkRows(b *testing.B) {
	const n = 100_000
	var text strings.Builder
	text.WriteString("time,value\n")
	for i := range n {
		fmt.Fprintf(&text, "%s,%d.%06d\n", time.Unix(1.7e9+int64(i)*900, 0).UTC().Format("2006-01-02 15:04:05"), 1000+i/10, i)
	}
	for b.Loop() {
		rows, err := Stream("b.csv", strings.NewReader(text.String()), Format{Zone: berlin(b), Twice: TwiceEarlier}, timeValue)
		if err != nil {
			b.Fatal(err)
		}
		for rows.Next() {
			rows.Time("time")
			rows.Units("value", 1_000_000)
		}
	}
	b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
