package savings

import (
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// QualityShare is how much of the energy counted has one quality.
type QualityShare struct {
	Quality string `json:"quality"`
	// KWh is by absolute value, which differs from what was counted only where a
	// register gave energy back.
	KWh      float64 `json:"kwh"`
	Fraction float64 `json:"fraction"` // of all
}

// qualityShares lists what there is, the best first.
func qualityShares(b plant.ByQuality) []QualityShare {
	out := []QualityShare{}
	for q, v := range b {
		if v != 0 {
			quality := plant.Quality(q)
			out = append(out, QualityShare{quality.String(), unit.Energy(v).KWh(), b.Share(quality)})
		}
	}
	return out
}
