package unit

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestGroup(t *testing.T) {
	for _, c := range []struct {
		v        float64
		decimals int
		want     string
	}{
		{0, 0, "0"},
		{999, 0, "999"},
		{1000, 0, "1\u202f000"},
		{-1234567.891, 2, "−1\u202f234\u202f567.89"},
		{-0.001, 2, "0.00"},
		{-0.005, 2, "−0.01"},
		{12345.5, 3, "12\u202f345.500"},
	} {
		if got := Group(c.v, c.decimals); got != c.want {
			t.Errorf("Group(%v, %d) = %q, want %q", c.v, c.decimals, got, c.want)
		}
	}
}

// Source: SI: 1 kWh = 3.6 MJ exactly.
func TestEnergyConversions(t *testing.T) {
	if got := KilowattHour.Joules(); got != 3.6e6 {
		t.Errorf("1 kWh = %v J, want 3.6e6", got)
	}
	if got := (12_345_678 * WattHour).String(); got != "12\u202f345.678 kWh" {
		t.Errorf("String = %q", got)
	}
	if got := HoursFromMillis(5_400_000); got != 1.5 {
		t.Errorf("5.4e6 ms = %v h", got)
	}
}

func TestEnergyFromKWhRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := Energy(rapid.Int64Range(-1<<52, 1<<52).Draw(t, "mWh"))
		back, err := EnergyFromKWh(e.KWh())
		if err != nil || back != e {
			t.Fatalf("%d mWh came back as %d, %v", e, back, err)
		}
	})
	for _, v := range []float64{math.NaN(), math.Inf(1), -1e13, 1e13} {
		if _, err := EnergyFromKWh(v); !errors.Is(err, ErrRange) {
			t.Errorf("EnergyFromKWh(%v): err = %v, want ErrRange", v, err)
		}
	}
}

func TestMoney(t *testing.T) {
	price, err := ParseMoney("0.168", "EUR")
	if err != nil {
		t.Fatal(err)
	}
	// Common practice, no source: 226 000 kWh a year at 0.168 is 37 968.
	got, err := price.Times(226_000)
	if err != nil || got.String() != "37\u202f968.00 EUR" {
		t.Errorf("226000 × 0.168 = %s, %v", got, err)
	}
	if _, err := ParseMoney("12 cents", "EUR"); err == nil {
		t.Error("ParseMoney took text for an amount")
	}
	if _, err := price.Times(math.NaN()); !errors.Is(err, ErrRange) {
		t.Errorf("NaN quantity: err = %v, want ErrRange", err)
	}
}
