package lamplife

import (
	"fmt"
	"math"
	"slices"

	"curetally/internal/core/stats"
)

// Allowed is what a plant allows the output of a lamp to lose.
type Allowed struct {
	// Dirt is the share of the clean output that dirt may take before the lens is
	// cleaned, for example 0.1.
	Dirt float64
	// Threshold is the share of the initial output at which a lamp with a clean
	// lens is at its end, for example 0.7.
	Threshold  float64
	Confidence float64 // of the limits of the end, for example 0.9
}

// OutputWatch is what readings say about the next cleaning and about the end of a
// lamp's output. All hours are lit hours of the lamp.
type OutputWatch struct {
	Decline Decline
	Age     float64 // for which it is told
	// CleanedAt is the age at the last cleaning on record, that of the first
	// reading without one.
	CleanedAt float64
	// Recoverable is the share of the clean output that dirt takes at Age; NaN when
	// ageing and dirt cannot be told apart.
	Recoverable float64
	// CleaningAt is the age at which dirt takes the allowed share, never beyond
	// Decline.Limit; NaN when it cannot be told. CleaningCapped says that nothing
	// is known up to there. CleaningDue: the share is reached at Age.
	CleaningAt     float64
	CleaningCapped bool
	CleaningDue    bool
	// End is when the clean output reaches the threshold.
	End Threshold
}

// Watch fits the decline to readings and tells what follows at an age. Cleanings
// are the ages at which the lens was cleaned, in any order; those that lie
// between two readings mark the later one as cleaned, beside what the reading
// says itself. Readings are in order of hours. The errors are those of
// FitDecline, and stats.ErrInput for what cannot be allowed or an age before the
// last reading.
func Watch(readings []Reading, cleanings []float64, age float64, a Allowed) (OutputWatch, error) {
	w := OutputWatch{Age: age}
	if !(a.Dirt > 0 && a.Dirt < 1) || !(a.Threshold > 0 && a.Threshold < 1) || !(a.Confidence > 0 && a.Confidence < 1) {
		return w, fmt.Errorf("dirt %v, threshold %v and confidence %v, expected shares between 0 and 1: %w", a.Dirt, a.Threshold, a.Confidence, stats.ErrInput)
	}
	if n := len(readings); n > 0 && !(age >= readings[n-1].Hours) || math.IsInf(age, 0) {
		return w, fmt.Errorf("age %v h, expected at least the hours of the last reading: %w", age, stats.ErrInput)
	}
	readings, last := withCleanings(readings, cleanings, age)
	var err error
	if w.Decline, err = FitDecline(readings); err != nil {
		return w, err
	}
	w.CleanedAt = last
	w.Recoverable, w.CleaningAt = math.NaN(), math.NaN()
	w.End = w.Decline.To(a.Threshold, a.Confidence)
	if !w.Decline.Separated {
		return w, nil
	}
	w.Recoverable = -math.Expm1(-w.Decline.Dirt * (age - w.CleanedAt))
	w.CleaningDue = w.Recoverable >= a.Dirt
	w.CleaningAt = w.CleanedAt + w.Decline.CleaningAfter(a.Dirt)
	if limit := w.Decline.Limit(); w.CleaningAt > limit {
		w.CleaningAt, w.CleaningCapped = limit, !w.CleaningDue
	}
	return w, nil
}

// withCleanings marks the readings that follow a cleaning and gives the age at the
// last cleaning.
func withCleanings(readings []Reading, cleanings []float64, age float64) (marked []Reading, last float64) {
	marked = slices.Clone(readings)
	cleanings = slices.Sorted(slices.Values(cleanings))
	next := 0
	for i := range marked {
		r := &marked[i]
		if i == 0 || r.Cleaned {
			last = r.Hours - r.Since
		}
		for ; next < len(cleanings) && cleanings[next] <= r.Hours; next++ {
			if cleanings[next] >= last {
				last, r.Cleaned, r.Since = cleanings[next], true, r.Hours-cleanings[next]
			}
		}
	}
	for ; next < len(cleanings) && cleanings[next] <= age; next++ {
		last = cleanings[next]
	}
	return marked, last
}
