package survey

import "math/rand/v2"

// Draws of the uncertainty of a case, and their seed: the same survey gives the same
// case.
const (
	Draws = 10_000
	seed  = 20_250_301
)

// Work works out a case with Draws draws of the fixed seed.
func Work(s Survey) Case { return Make(s, Draws, rand.New(rand.NewPCG(seed, seed))) }

// Measured is the energy of a year as it was measured, in kWh: what the old system
// would have used, and what the new one did use.
type Measured struct {
	Before, After float64
	// SavedStandard is the standard uncertainty of their difference.
	SavedStandard float64
}

// WithMeasured puts measured energy in the place of the loads of a survey and leaves
// everything else as it was planned. The uncertainty of the saving goes with the energy
// before, which nobody could measure.
func WithMeasured(s Survey, m Measured) Survey {
	before, after := Quantity{Value: m.Before, Standard: m.SavedStandard}, Exactly(m.After)
	s.Before.Loads = []Load{{Name: "expected by the baseline", Count: 1, KWh: &before}}
	s.After.Loads = []Load{{Name: "measured", Count: 1, KWh: &after}}
	return s
}
