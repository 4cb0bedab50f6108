package columnar_test

import (
	"bytes"
	"errors"
	"iter"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"

	"curetally/internal/core/plant"
	"curetally/internal/link/columnar"
)

var at = time.Date(2026, 3, 2, 6, 0, 0, 123456000, time.UTC)

// each is a sequence of values; err comes after them where it is not nil.
func each[T any](err error, all ...T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, v := range all {
			if !yield(v, nil) {
				return
			}
		}
		if err != nil {
			var none T
			yield(none, err)
		}
	}
}

func ptr(n int64) *int64 { return &n }

// back reads a file with the library's reader.
func back[R any](t *testing.T, file *bytes.Buffer) []R {
	t.Helper()
	rows, err := parquet.Read[R](bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func check[R any](t *testing.T, file *bytes.Buffer, err error, want ...R) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, back[R](t, file)); d != "" {
		t.Errorf("rows (-want +got):\n%s", d)
	}
}

func TestRowsAreReadBack(t *testing.T) {
	of := columnar.Quantities{
		"m/import": plant.QuantityEnergy, "s/lit": plant.QuantityTime, "s/starts": plant.QuantityCount,
		"p/area": plant.QuantityArea, "p/length": plant.QuantityLength, "p/sheets": plant.QuantityImpressions,
	}
	var f bytes.Buffer
	big := int64(1)<<62 + 1 // more than a float64 holds
	var given []plant.Reading
	for i, id := range []plant.RegisterID{"m/import", "s/lit", "s/starts", "p/area", "p/length", "p/sheets"} {
		given = append(given, plant.Reading{Register: id, At: at, Value: big + int64(i)})
	}
	given[0].Modulus = 1 << 62
	n, err := columnar.Readings(&f, each(nil, given...), of)
	if n != 6 {
		t.Errorf("%d rows", n)
	}
	check(t, &f, err,
		columnar.ReadingRow{Time: at, Register: "m/import", EnergyMWh: ptr(big), Modulus: ptr(1 << 62)},
		columnar.ReadingRow{Time: at, Register: "s/lit", TimeMS: ptr(big + 1)},
		columnar.ReadingRow{Time: at, Register: "s/starts", Count: ptr(big + 2)},
		columnar.ReadingRow{Time: at, Register: "p/area", AreaCM2: ptr(big + 3)},
		columnar.ReadingRow{Time: at, Register: "p/length", LengthMM: ptr(big + 4)},
		columnar.ReadingRow{Time: at, Register: "p/sheets", Impressions: ptr(big + 5)})

	f.Reset()
	_, err = columnar.Entries(&f, each(nil, plant.Entry{Register: "m/import", Start: at, State: plant.StateCuring, Technology: plant.TechnologyLED, Lamp: "L-1", Amount: -3, Quality: plant.QualityInterpolated}), of)
	check(t, &f, err, columnar.EntryRow{Start: at, Register: "m/import", State: "curing", Technology: "led", Lamp: "L-1", EnergyMWh: ptr(-3), Quality: "interpolated"})

	f.Reset()
	_, err = columnar.States(&f, each(nil,
		plant.StationEvent{Station: "heron-1", At: at, Arrived: at.Add(time.Second), State: plant.StateFault, Boot: "a1", Sequence: 7, LitMillis: 0, Starts: 4, ClockDistrusted: true},
		plant.StationEvent{Station: "heron-2", At: at, Arrived: at, State: plant.StateUnknown, LitMillis: -1, Starts: -1, LastWill: true}))
	check(t, &f, err,
		columnar.StateRow{Time: at, Station: "heron-1", State: "fault", LitMS: ptr(0), Starts: ptr(4), Boot: "a1", Seq: 7, Arrived: at.Add(time.Second), ClockDistrusted: true},
		columnar.StateRow{Time: at, Station: "heron-2", State: "unknown", Arrived: at, LastWill: true})

	f.Reset()
	_, err = columnar.Signals(&f, each(nil, plant.Signal{Subject: "heron", Name: "speed_mps", At: at, Value: 0.1}))
	check(t, &f, err, columnar.SignalRow{Time: at, Subject: "heron", Name: "speed_mps", Value: 0.1})

	f.Reset()
	removed := at.Add(time.Hour)
	_, err = columnar.Fittings(&f, each(nil, plant.Fitting{Lamp: "L-1", Station: "heron-1", From: at, To: removed, Reason: "failed", By: "Ann"}, plant.Fitting{Lamp: "L-2", Station: "heron-1", From: removed}), map[plant.LampSerial]string{"L-1": "arc-lamp"})
	check(t, &f, err,
		columnar.FittingRow{Lamp: "L-1", Kind: "arc-lamp", Station: "heron-1", Fitted: at, Removed: &removed, Reason: "failed", By: "Ann"},
		columnar.FittingRow{Lamp: "L-2", Station: "heron-1", Fitted: removed})
}

// Columns say to any reader what they are.
func TestColumnsAreTyped(t *testing.T) {
	var f bytes.Buffer
	if _, err := columnar.Readings(&f, each[plant.Reading](nil), nil); err != nil {
		t.Fatal(err)
	}
	p, err := parquet.OpenFile(bytes.NewReader(f.Bytes()), int64(f.Len()))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"required int64 time (TIMESTAMP(isAdjustedToUTC=true,unit=MICROS))",
		"required binary register (STRING)",
		"optional int64 energy_milliwatt_hours (INT(64,true))",
	} {
		if s := p.Schema().String(); !strings.Contains(s, want) {
			t.Errorf("no %q in %s", want, s)
		}
	}
}

func TestErrorsOfTheSourceComeBack(t *testing.T) {
	gone := errors.New("the database is away")
	var f bytes.Buffer
	if n, err := columnar.Signals(&f, each(gone, plant.Signal{At: at})); !errors.Is(err, gone) {
		t.Errorf("%d rows, %v", n, err)
	}
	_, err := columnar.Readings(&f, each(nil, plant.Reading{Register: "kite/import", At: at}), columnar.Quantities{})
	if err == nil || !strings.Contains(err.Error(), "register kite/import") {
		t.Errorf("a register that counts nothing: %v", err)
	}
}

func TestManyRowsMakeSeveralGroups(t *testing.T) {
	const n = 1<<17 + 5000
	var f bytes.Buffer
	many := func(yield func(plant.Signal, error) bool) {
		for i := range n {
			if !yield(plant.Signal{Subject: "heron", Name: "speed_mps", At: at.Add(time.Duration(i) * time.Second), Value: float64(i)}, nil) {
				return
			}
		}
	}
	if got, err := columnar.Signals(&f, many); err != nil || got != n {
		t.Fatalf("%d rows, %v", got, err)
	}
	p, err := parquet.OpenFile(bytes.NewReader(f.Bytes()), int64(f.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if len(p.RowGroups()) != 2 || p.NumRows() != n {
		t.Errorf("%d rows in %d groups", p.NumRows(), len(p.RowGroups()))
	}
}
