package accuracy

import (
	"math"
	"slices"
	"testing"
)

func TestAt(t *testing.T) {
	for _, c := range []struct {
		class          string
		percent        float64
		ratio, minutes float64
		ok             bool
	}{
		// Source: IEC 61869-2, tables 201 and 202, as reproduced by makers of
		// transformers.
		{"0.1", 5, 0.4, 15, true},
		{"0.1", 100, 0.1, 5, true},
		{"0.2", 20, 0.35, 15, true},
		{"0.2S", 1, 0.75, 30, true},
		{"0.2S", 120, 0.2, 10, true},
		{"0.5", 5, 1.5, 90, true},
		{"0.5", 4.9, 0, 0, false},
		{"0.5S", 1, 1.5, 90, true},
		{"0.5S", 5, 0.75, 45, true},
		{"0.5S", 0.9, 0, 0, false},
		{"1", 20, 1.5, 90, true},
		{"3", 50, 3, 0, true},
		{"3", 49, 0, 0, false},
		// Between two loads the limit of the lower one holds.
		{"0.5", 19.9, 1.5, 90, true},
		{"0.5", 99, 0.75, 45, true},
		{"5", 100, 0, 0, false},
	} {
		l, ok := At(c.class, c.percent)
		if ok != c.ok || l.Ratio != c.ratio || l.Minutes != c.minutes {
			t.Errorf("class %s at %v %%: %v, %v", c.class, c.percent, l, ok)
		}
	}
	for _, class := range Classes() {
		limits := LimitsOf(class)
		if len(limits) == 0 || !slices.IsSortedFunc(limits, func(a, b Limit) int { return int(a.Percent - b.Percent) }) {
			t.Errorf("class %s: limits %v", class, limits)
		}
	}
}

func TestPowerError(t *testing.T) {
	for _, c := range []struct{ ratio, minutes, factor, want float64 }{
		// Own computation: 100 × tan(acos PF) × minutes × π / 10800, added to the
		// ratio error.
		{0.5, 30, 0.85, 0.5 + 0.5408289613},
		{0.5, 30, 0.5, 0.5 + 1.5114994702},
		{1.5, 90, 1, 1.5},
	} {
		if got := PowerError(Limit{Ratio: c.ratio, Minutes: c.minutes}, c.factor); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("±%v %%, %v minutes at %v: %.10f, want %.10f", c.ratio, c.minutes, c.factor, got, c.want)
		}
	}
	if s := (Limit{Ratio: 1.5, Minutes: 90}).String(); s != "±1.5 % and ±90 minutes of angle" {
		t.Errorf("limit is written %q", s)
	}
}
