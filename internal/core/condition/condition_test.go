package condition_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"curetally/internal/core/condition"
	"curetally/internal/core/plant"
)

var now = time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)

// readings gives one every six hours for the days before now.
func readings(days float64, value func(day float64) float64) []condition.Reading {
	var out []condition.Reading
	for d := -days; d <= 0; d += 0.25 {
		out = append(out, condition.Reading{At: now.Add(time.Duration(d * 24 * float64(time.Hour))), Value: value(d)})
	}
	return out
}

func noise(seed uint64, sd float64) func() float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	return func() float64 { return sd * rng.NormFloat64() }
}

// A filter whose pressure difference rises by 4 Pa a day from 60 Pa stands at 140
// after 20 days and reaches 200 in 15.
func TestTrendReachesTheLimit(t *testing.T) {
	n := noise(1, 5)
	v := condition.Judge(plant.Condition{Signal: "filter_pascals", Kind: plant.Above, Limit: 200}, readings(20, func(d float64) float64 { return 140 + 4*d + n() }), now)
	days := func(at time.Time) float64 { return at.Sub(now).Hours() / 24 }
	if math.Abs(days(v.Middle)-15) > 1.5 || days(v.Early) > days(v.Middle) || days(v.Late) < days(v.Middle) || days(v.Late) > 20 {
		t.Errorf("in %.1f days, %.1f to %.1f, want about 15", days(v.Middle), days(v.Early), days(v.Late))
	}
	if math.Abs(v.PerDay-4) > 0.3 || math.Abs(v.Used-0.7) > 0.05 || !v.Reached.IsZero() {
		t.Errorf("%+v", v)
	}
}

// Single wild readings reach no limit and make no date; a steady signal has none.
func TestNoJumpOnNoise(t *testing.T) {
	limit := plant.Condition{Kind: plant.Above, Limit: 200}
	n := noise(2, 5)
	r := readings(20, func(float64) float64 { return 100 + n() })
	r[len(r)-1].Value, r[len(r)-2].Value, r[10].Value = 5000, 900, 5000
	if v := condition.Judge(limit, r, now); !v.Reached.IsZero() || !v.Middle.IsZero() {
		t.Errorf("%+v", v)
	}
	r[len(r)-3].Value, r[len(r)-4].Value = 900, 900
	if v := condition.Judge(limit, r, now); v.Reached.IsZero() || v.Used < 1 {
		t.Errorf("four of five readings beyond: %+v", v)
	}
	for seed := range uint64(40) {
		n := noise(seed, 5)
		if v := condition.Judge(limit, readings(20, func(float64) float64 { return 190 + n() }), now); !v.Reached.IsZero() {
			t.Errorf("seed %d: reached by noise: %+v", seed, v)
		}
	}
}

func TestKinds(t *testing.T) {
	step := func(from, to float64) []condition.Reading {
		return readings(10, func(d float64) float64 {
			if d < -2 {
				return from
			}
			return to
		})
	}
	for name, tt := range map[string]struct {
		c        plant.Condition
		from, to float64
		limit    float64
		reached  bool
	}{
		"level below":             {plant.Condition{Kind: plant.Below, Limit: 85}, 98, 84, 85, true},
		"level above it":          {plant.Condition{Kind: plant.Below, Limit: 85}, 98, 86, 85, false},
		"flow falls by a tenth":   {plant.Condition{Kind: plant.Falls, Limit: 0.10}, 6, 5.39, 5.4, true},
		"flow falls by less":      {plant.Condition{Kind: plant.Falls, Limit: 0.10}, 6, 5.41, 5.4, false},
		"volts rise":              {plant.Condition{Kind: plant.Rises, Limit: 0.08}, 500, 541, 540, true},
		"condensing rises by 5 K": {plant.Condition{Kind: plant.RisesBy, Limit: 5}, 35, 41, 40, true},
	} {
		v := condition.Judge(tt.c, step(tt.from, tt.to), now)
		if math.Abs(v.Limit-tt.limit) > 1e-9 || v.Reached.IsZero() == tt.reached || (v.Used >= 1) != tt.reached {
			t.Errorf("%s: %+v", name, v)
		}
		if tt.reached && math.Abs(v.Reached.Sub(now.AddDate(0, 0, -2)).Hours()) > 12 {
			t.Errorf("%s: reached %v, two days ago it was", name, v.Reached)
		}
	}
}

// What a machine that stands shows does not count, and too few readings say
// nothing.
func TestStandingMachineAndFewReadings(t *testing.T) {
	c := plant.Condition{Kind: plant.Falls, Limit: 0.10, OffBelow: 1}
	r := readings(10, func(d float64) float64 {
		if math.Mod(d, 1) == 0 {
			return 6
		}
		return 0
	})
	if v := condition.Judge(c, r, now); v.Readings != 11 || !v.Reached.IsZero() || v.Now != 6 {
		t.Errorf("%+v", v)
	}
	above := plant.Condition{Kind: plant.Above, Limit: 200}
	if v := condition.Judge(above, []condition.Reading{{At: now, Value: 300}, {At: now.Add(-time.Hour), Value: 300}}, now); !v.Reached.IsZero() {
		t.Errorf("two readings: %+v", v)
	}
	if v := condition.Judge(above, []condition.Reading{{At: now, Value: math.NaN()}}, now); v.Readings != 0 || !math.IsNaN(v.Now) {
		t.Errorf("none: %+v", v)
	}
}

// A date is not given farther ahead than three times what was watched.
func TestNotFartherThanWasWatched(t *testing.T) {
	v := condition.Judge(plant.Condition{Kind: plant.Above, Limit: 200}, readings(10, func(d float64) float64 { return 100 + d }), now)
	if !v.Middle.IsZero() || math.Abs(v.PerDay-1) > 1e-9 {
		t.Errorf("%+v", v)
	}
}
