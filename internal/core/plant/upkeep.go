package plant

// UpkeepSettings are what a plant sets for the planning of upkeep.
type UpkeepSettings struct {
	// IsolationMinutes is what it takes to isolate a station or a press, to wait and
	// to prove it dead, and to put it back: once for all tasks in one stop.
	IsolationMinutes int
	// StopWeeks is how far ahead planned stops are filled.
	StopWeeks int
	// ServiceLevel is the chance with which spare lamps are to last, 0 to 1.
	ServiceLevel float64
	// CoverWeeks is how long an order of lamps is to last from its arrival.
	CoverWeeks int
	// SpentDays is how long spent mercury lamps may be held in the plant.
	SpentDays int
}

// DefaultUpkeep gives the settings of a plant that sets none.
//
// An isolation shared by tasks saves 10 to 15 minutes of it for each.
// Common practice, no source.
//
// Spent lamps: one year, as universal waste in the United States (40 CFR 273.15).
// Local rules and permits differ and come first.
func DefaultUpkeep() UpkeepSettings {
	return UpkeepSettings{IsolationMinutes: 12, StopWeeks: 8, ServiceLevel: 0.95, CoverWeeks: 4, SpentDays: 365}
}
