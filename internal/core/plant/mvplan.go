package plant

import "time"

// MVOption says how a measurement-and-verification plan isolates the saving.
type MVOption string

// The options. The fourth of the literature, calibrated simulation, is not offered.
const (
	MVOptionKey   MVOption = "A" // the key parameter is measured, the others are estimated
	MVOptionAll   MVOption = "B" // all parameters inside the boundary are measured
	MVOptionWhole MVOption = "C" // the meter of the whole site
)

// MVOptions lists the words for MVOption.
func MVOptions() []MVOption { return []MVOption{MVOptionKey, MVOptionAll, MVOptionWhole} }

// MVPlan is what people agree about a project that no measurement can tell. An
// empty text was not agreed yet.
type MVPlan struct {
	Option        MVOption
	Facility      string   // what is made there and how it works
	Intent        string   // what is changed to save energy
	Commissioning string   // how it is shown that the new system works as meant
	Crosses       []string // energy that crosses the boundary
	// Interactive are effects of the change on energy outside the boundary.
	Interactive []MVEffect
	Conditions  string // in which the baseline was measured
	// Estimates are the figures that option A does not measure, Reinspection how they
	// are looked at again.
	Estimates        []MVEstimate
	Reinspection     string
	Witness          string // who may see readings taken, and how they are checked
	Calibration      string // of the meters
	Responsibilities []MVDuty
	Budget           string
	Reports          string   // form, readers and dates of the reports
	Quality          []string // procedures that keep the figures right
	ApprovedBy       string
	ApprovedOn       time.Time // local midnight
}

// MVEffect is an effect outside the boundary and what is done about it.
type MVEffect struct {
	Effect    string
	Treatment string
}

// MVEstimate is a figure that is agreed instead of measured.
type MVEstimate struct {
	What  string
	Value string // with its unit
	Range string // in which it may truly lie
	Why   string
}

// MVDuty is who does what for the plan.
type MVDuty struct {
	Task string
	Who  string
}
