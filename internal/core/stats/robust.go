package stats

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// RobustLine is a straight line that up to 29 % of wild points cannot move far.
type RobustLine struct {
	Slope     float64
	Intercept float64 // median of y − Slope × median of x
	Low, High float64 // limits of Slope
}

// Median gives the middle value, or the mean of the two in the middle; NaN for
// none. The values stay in their order.
func Median(values []float64) float64 {
	v := slices.Sorted(slices.Values(values))
	n := len(v)
	if n == 0 {
		return math.NaN()
	}
	return (v[(n-1)/2] + v[n/2]) / 2
}

// maxPairs bounds the slopes that PairSlopes gives, and with them its time.
const maxPairs = 1 << 18

// PairSlopes gives the slopes between pairs of points; pairs with the same x are
// left out. Up to about 720 points these are all pairs; of more points, each
// is paired with those at every k-th place from it, with the least k that keeps
// the number within bounds.
func PairSlopes(x, y []float64) []float64 {
	n := len(x)
	every := max(1, (n*(n-1)/2+maxPairs-1)/maxPairs)
	var slopes []float64
	for lag := every; lag < n; lag += every {
		for i := range n - lag {
			if dx := x[i+lag] - x[i]; dx != 0 {
				slopes = append(slopes, (y[i+lag]-y[i])/dx)
			}
		}
	}
	return slopes
}

// TheilSen gives the line whose slope is the median of the slopes between all
// pairs of points (see PairSlopes), with distribution-free two-sided limits at
// the confidence, from the variance of Kendall's score without ties (Sen 1968;
// from memory). It returns ErrInput when no two points differ in x.
func TheilSen(x, y []float64, confidence float64) (RobustLine, error) {
	if len(x) != len(y) {
		return RobustLine{}, fmt.Errorf("%d points with %d values: %w", len(x), len(y), ErrInput)
	}
	slopes := PairSlopes(x, y)
	if len(slopes) == 0 {
		return RobustLine{}, fmt.Errorf("no two of %d points differ in x: %w", len(x), ErrInput)
	}
	slices.Sort(slopes)
	l := RobustLine{Slope: Median(slopes)}
	l.Intercept = Median(y) - l.Slope*Median(x)
	n, pairs := float64(len(x)), float64(len(slopes))
	c := distuv.UnitNormal.Quantile(1-(1-confidence)/2) * math.Sqrt(n*(n-1)*(2*n+5)/18)
	c *= pairs / (n * (n - 1) / 2) // the same share of the ranks where pairs were left out
	l.Low, l.High = rank(slopes, (pairs-c)/2), rank(slopes, (pairs+c)/2+1)
	return l, nil
}

// rank gives the value at the nearest rank counted from 1, and the first or last
// beyond the ends.
func rank(sorted []float64, at float64) float64 {
	return sorted[int(min(max(math.RoundToEven(at)-1, 0), float64(len(sorted)-1)))]
}
