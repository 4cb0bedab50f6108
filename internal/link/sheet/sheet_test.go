package sheet

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestColumnsAreFoundByNameAndOthersIgnored(t *testing.T) {
	tab := Read("a.csv", strings.NewReader("\ufeffnote, kWh ,TIME\nfirst,12.5,2026-03-02T06:00:00+01:00\n\"a, b\",13,2026-03-02T05:15:00Z\n"), "time", "kwh")
	for i, want := range []struct {
		at    time.Time
		units int64
	}{{time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC), 12_500_000}, {time.Date(2026, 3, 2, 5, 15, 0, 0, time.UTC), 13_000_000}} {
		if at, u := tab.Time(i, "time"), tab.Units(i, "kwh", 1_000_000); !at.Equal(want.at) || u != want.units {
			t.Errorf("row %d: %v, %d", i, at, u)
		}
	}
	if tab.Len() != 2 || tab.Line(1) != 3 || tab.Err() != nil {
		t.Errorf("%d rows, second on line %d, %v", tab.Len(), tab.Line(1), tab.Err())
	}
}

func TestAllProblemsComeAtOnceWithTheirPlace(t *testing.T) {
	tab := Read("b.csv", strings.NewReader("time,kwh\nyesterday,1\n2026-03-02T06:00:00Z,NaN\n2026-03-02T06:00:00Z,1,2\n2026-03-02T06:15:00Z,12 kWh\n"), "time", "kwh", "state")
	for i := range tab.Len() {
		tab.Time(i, "time")
		tab.Float(i, "kwh")
	}
	want := strings.Join([]string{
		`b.csv:1: state: this column is missing: the header has time, kwh`,
		`b.csv:4: 3 cells, the header has 2`,
		`b.csv:2: time: "yesterday" is no instant: expected RFC 3339, for example 2026-03-02T06:00:00Z`,
		`b.csv:3: kwh: "NaN" is no number: expected one such as 1234.5`,
		`b.csv:5: kwh: "12 kWh" is no number: expected one such as 1234.5`,
	}, "\n")
	if d := cmp.Diff(want, fmt.Sprint(tab.Err())); d != "" {
		t.Errorf("problems (-want +got):\n%s", d)
	}
}

func TestAColumnThatStandsTwiceIsNotGuessed(t *testing.T) {
	tab := Read("e.csv", strings.NewReader("kWh,note,note,kwh\n1,a,b,2\n"), "kwh")
	if err := tab.Err(); err == nil || err.Error() != "e.csv:1: kwh: this column stands twice in the header: expected each name once, in capitals or not" {
		t.Errorf("two columns of a name: %v", err)
	}
}

func TestEmptyAndEndlessFiles(t *testing.T) {
	if err := Read("c.csv", strings.NewReader(""), "time").Err(); err == nil || !strings.Contains(err.Error(), "c.csv:1: the file is empty: expected a header with the columns time") {
		t.Errorf("empty file: %v", err)
	}
	tab := Read("d.csv", strings.NewReader("kwh\n"+strings.Repeat("x\n", 500)), "kwh")
	for i := range tab.Len() {
		tab.Float(i, "kwh")
	}
	if got := tab.Err().Error(); strings.Count(got, "\n") != maxProblems || !strings.HasSuffix(got, "d.csv: 450 problems more") {
		t.Errorf("problems of 500 bad rows end with %q", got[len(got)-40:])
	}
}

func TestUnitsAreExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole, milli := rapid.Int64Range(0, 1<<40).Draw(t, "kWh"), rapid.Int64Range(0, 999_999).Draw(t, "mWh")
		got, err := Units(fmt.Sprintf("%d.%06d", whole, milli), 1_000_000)
		if err != nil || got != whole*1_000_000+milli {
			t.Fatalf("%d.%06d kWh = %d mWh, %v", whole, milli, got, err)
		}
	})
	for text, want := range map[string]int64{"-0.0000001": -1, "1e3": 1_000_000_000, "0.0000019": 1} {
		if got, err := Units(text, 1_000_000); err != nil || got != want {
			t.Errorf("%s: %d, %v; want %d", text, got, err, want)
		}
	}
	for _, text := range []string{"", "1/2", "0x10", "1_000", "9e12345", "1e30", "inf"} {
		if got, err := Units(text, 1_000_000); err == nil {
			t.Errorf("%q was taken for %d", text, got)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add("time,kwh\n2026-03-02T06:00:00Z,1\n")
	f.Add("\"\n\"\"\x00")
	f.Fuzz(func(t *testing.T, text string) {
		tab := Read("f.csv", strings.NewReader(text), "time", "kwh")
		for i := range tab.Len() {
			tab.Time(i, "time")
			tab.Units(i, "kwh", 1_000_000)
		}
		if tab.Len() == 0 && tab.Err() == nil && !strings.Contains(strings.ToLower(text), "kwh") {
			t.Errorf("%q was taken without a word", text)
		}
	})
}
