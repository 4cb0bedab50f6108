package figure

import (
	"testing"

	"curetally/internal/core/unit"
)

func TestQuantityTicksAreFewAndRound(t *testing.T) {
	for _, high := range []float64{1, 1.16, 7, 42, 99, 905, 12345, 9.9e6} {
		ticks := Steps(0, high, unit.Group)
		if len(ticks) < 3 || len(ticks) > 8 {
			t.Errorf("0 to %v: %d ticks, want 3 to 8", high, len(ticks))
		}
		if ticks[0].At != 0 {
			t.Errorf("0 to %v: first tick %v, want 0", high, ticks[0].At)
		}
	}
}
