package stats_test

import (
	"math"
	"testing"

	"curetally/internal/core/stats"
)

// Source: computed independently with R 4.2.2, sums of the correlation matrix.
func TestEffectiveM(t *testing.T) {
	near(t, "12 at 0.3", stats.EffectiveM(12, 0.3), 21.0612251405, 1e-11)
	near(t, "365 at 0.45", stats.EffectiveM(365, 0.45), 959.2975206612, 1e-12)
	near(t, "90 at 0.8", stats.EffectiveM(90, 0.8), 770.0000000759, 1e-12)
	near(t, "7 at −0.4", stats.EffectiveM(7, -0.4), 7, 0)
}

// Source: computed independently with Python.
func TestEffectiveN(t *testing.T) {
	near(t, "20 at 0.628", stats.EffectiveN(20, 0.627927927928), 4.5711123409, 1e-10)
	near(t, "365 at 0.45", stats.EffectiveN(365, 0.45), 138.4482758621, 1e-12)
	near(t, "20 at −0.3", stats.EffectiveN(20, -0.3), 20, 0)
	near(t, "degrees of freedom", stats.EffectiveDF(20, 4, 0.627927927928), 1, 0)
}

// Twenty residuals with mean 0. Source: computed independently with Python.
func TestLagOneCorrelation(t *testing.T) {
	e := []float64{12, 9, 14, 3, -5, -8, -2, 4, 10, 6, -1, -7, -12, -9, -4, 2, 5, -3, -9, -5}
	f := fit(t, make([][]float64, len(e)), e, nil)
	near(t, "rho", f.Rho, 0.627927927928, 1e-12)
}

// Degrees of freedom that are not whole.
// Source: computed independently with scipy.
func TestQuantileBetweenWholeDegrees(t *testing.T) {
	for confidence, want := range map[float64]float64{0.68: 0.9980950445, 0.80: 1.2877867679, 0.90: 1.6560976714, 0.95: 1.9775024591} {
		near(t, "t", stats.Quantile(confidence, 138.4482758621-2), want, 1e-10)
	}
	for _, bad := range [][2]float64{{0.9, 0}, {1, 3}, {0, 3}, {math.NaN(), 3}, {0.9, math.NaN()}} {
		if got := stats.Quantile(bad[0], bad[1]); !math.IsNaN(got) {
			t.Errorf("t%v = %v, want NaN", bad, got)
		}
	}
}

// Without autocorrelation the half-width of a total is the exact one.
func TestTotalWithoutAutocorrelation(t *testing.T) {
	f, rows := sheets(t)
	var sum float64
	for _, r := range rows {
		sum += r[0]
	}
	q := f.Leverage([]float64{sum}, len(rows))
	near(t, "q", q, 12.1567731462, 1e-11) // Source: computed independently with R 4.2.2.
	total := stats.Total{Rows: len(rows), Leverage: q, ResidualSD: f.ResidualSD, N: f.N, P: f.P}
	near(t, "half-width", total.HalfWidth(0.9), f.SumHalfWidth(rows, 0.9), 1e-15)
}

// A running sum of equal weights has the variance of EffectiveM; unequal ones have
// that of the whole correlation matrix.
func TestDisturbances(t *testing.T) {
	for _, rho := range []float64{-0.3, 0, 0.45, 0.8} {
		var equal, unequal stats.Disturbances
		weights := []float64{7, 6, 7, 7, 1, 31}
		for i := range weights {
			equal, unequal = equal.With(1, rho), unequal.With(weights[i], rho)
			near(t, "equal", equal.Variance(), stats.EffectiveM(i+1, rho), 1e-13)
			var want float64
			for j := range weights[:i+1] {
				for k := range weights[:i+1] {
					want += weights[j] * weights[k] * math.Pow(max(rho, 0), math.Abs(float64(j-k)))
				}
			}
			near(t, "unequal", unequal.Variance(), want, 1e-13)
		}
	}
}
