// Package unit holds the quantities that curetally counts: energy as whole
// milliwatt-hours and money as a decimal with its currency.
//
// Whole numbers make sums exact: a day is the sum of its intervals to the last
// milliwatt-hour, whatever the order of addition. Conversion to kilowatt-hours,
// joules or text happens only where a value is shown, never before a sum.
//
// Nothing here rounds silently: a conversion that would lose a unit says so in
// its documentation, and overflow is an error, not a wrap.
package unit

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Energy is an amount of energy in milliwatt-hours (mWh). One mWh is 3.6 joule
// exactly. The range of ±9.2e18 mWh is ±9.2e12 kWh.
type Energy int64

// Common amounts of energy.
const (
	MilliwattHour Energy = 1
	WattHour      Energy = 1000
	KilowattHour  Energy = 1_000_000
	MegawattHour  Energy = 1_000_000_000
)

// KWh gives the amount in kilowatt-hours, for display and for models.
func (e Energy) KWh() float64 { return float64(e) / float64(KilowattHour) }

// Joules gives the amount in joules: 1 mWh = 3.6 J.
func (e Energy) Joules() float64 { return float64(e) * 3.6 }

// String shows kilowatt-hours with three decimals and a thin group separator,
// for example "12 345.678 kWh".
func (e Energy) String() string {
	return Group(e.KWh(), 3) + " kWh"
}

// ErrRange says that an amount does not fit its type.
var ErrRange = errors.New("amount out of range")

// EnergyFromKWh rounds kilowatt-hours to whole milliwatt-hours, halves away
// from zero. It returns ErrRange for values that do not fit and for NaN.
func EnergyFromKWh(kwh float64) (Energy, error) {
	v := math.Round(kwh * float64(KilowattHour))
	if math.IsNaN(v) || v >= math.MaxInt64 || v <= math.MinInt64 {
		return 0, fmt.Errorf("%v kWh: %w", kwh, ErrRange)
	}
	return Energy(v), nil
}

// HoursFromMillis converts whole milliseconds to hours, for display and models.
func HoursFromMillis(ms int64) float64 { return float64(ms) / 3_600_000 }

// Group writes a number with the given decimals and U+202F (narrow no-break
// space) between groups of three digits of its whole part, the separator that
// ISO 80000-1 recommends. A value that rounds to zero has no sign.
func Group(v float64, decimals int) string {
	digits := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	whole, frac, _ := strings.Cut(digits, ".")
	var b strings.Builder
	if v < 0 && strings.ContainsAny(digits, "123456789") {
		b.WriteString("−")
	}
	for i := range len(whole) {
		if i > 0 && (len(whole)-i)%3 == 0 {
			b.WriteString("\u202f")
		}
		b.WriteByte(whole[i])
	}
	if frac != "" {
		b.WriteString("." + frac)
	}
	return b.String()
}
