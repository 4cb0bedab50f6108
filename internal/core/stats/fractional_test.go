package stats_test

import (
	"testing"

	"curetally/internal/core/stats"
)

// Source: computed independently with R 4.2.2 (the first) and with Python, by the
// formula of ASHRAE Guideline 14 as an open method specification states it.
func TestFractional(t *testing.T) {
	for name, c := range map[string]struct {
		f    stats.Fractional
		want [4]float64
		rel  float64
	}{
		"sheets":                    {stats.Fractional{CV: 0.025145953828, F: 0.6997758234, N: 12, M: 12, P: 2, OnDrivers: true}, [4]float64{0.0147730311, 0.0193720122, 0.0255876968, 0.0314560907}, 4e-9},
		"days, correlated":          {stats.Fractional{CV: 0.12, F: 0.25, N: 365, M: 365, P: 2, Rho: 0.45, OnDrivers: true}, [4]float64{0.0515542097, 0.0664675404, 0.0853727865, 0.1018077750}, 2e-9},
		"days, correlation ignored": {stats.Fractional{CV: 0.12, F: 0.25, N: 365, M: 365, P: 2, OnDrivers: true}, [4]float64{0.0316106661, 0.0407548333, 0.0523466592, 0.0624238369}, 2e-9},
		"months":                    {stats.Fractional{CV: 0.05, F: -0.20, N: 12, M: 12, P: 2, OnDrivers: true}, [4]float64{0.1027780659, 0.1347738277, 0.1780172244, 0.2188444701}, 1e-9},
	} {
		for i, confidence := range []float64{0.68, 0.80, 0.90, 0.95} {
			near(t, name, c.f.Uncertainty(confidence), c.want[i], c.rel)
		}
	}
	// What a baseline can show: the saving whose uncertainty is half of itself, with
	// the factor of twelve months of monthly data instead of 1.26.
	const twelve = 1.30558 / 1.26
	whole := stats.Fractional{CV: 0.10, F: 1, N: 12, M: 12, P: 2, OnDrivers: true}
	near(t, "least saving at 68 %", twelve*whole.Uncertainty(0.68)/0.5, 0.0851968173, 1e-6)
	near(t, "least saving at 90 %", twelve*whole.Uncertainty(0.90)/0.5, 0.1475655415, 1e-6)
	for f, want := range map[float64]float64{0.03: 1.4757, 0.05: 0.8854, 0.10: 0.4427, 0.20: 0.2213} {
		near(t, "CV 6 %", twelve*stats.Fractional{CV: 0.06, F: f, N: 12, M: 12, P: 2, OnDrivers: true}.Uncertainty(0.90), want, 3e-4)
	}
	mean := stats.Fractional{CV: 0.10, F: 0.5, N: 12, M: 12, P: 1}
	driven := mean
	driven.OnDrivers = true
	near(t, "mean", driven.Uncertainty(0.9)/mean.Uncertainty(0.9), 1.26, 1e-15)
}
