package savings

import (
	"math"

	"curetally/internal/core/regression"
)

// Diagnosis says how good a model is. A figure that does not exist is 0.
type Diagnosis struct {
	Parameters   int     `json:"parameters"` // coefficients and change points
	CVRMSE       float64 `json:"cv_rmse"`
	NMBE         float64 `json:"nmbe"`
	R2           float64 `json:"r2"`
	AdjR2        float64 `json:"adj_r2"`
	DurbinWatson float64 `json:"durbin_watson"`
	// Rho is the lag-1 autocorrelation of the residuals, NEffective the number of
	// independent rows that the rows are worth with it.
	Rho        float64 `json:"rho"`
	NEffective float64 `json:"n_effective"`
	BIC        float64 `json:"bic"`
	// Inflation is the variance inflation factor of each coefficient after the
	// intercept; above 10 they cannot be read one by one.
	Inflation []float64 `json:"variance_inflation"`
	// Considered lists the forms among which auto chose.
	Considered []Considered `json:"considered,omitempty"`
	// Accepted says that the model keeps the limits of the project; else Reasons
	// has each that it does not keep, with figure, limit and remedy.
	Accepted bool     `json:"accepted"`
	Reasons  []string `json:"reasons"`
}

// Considered is a form that was looked at when the model was chosen.
type Considered struct {
	Form       regression.Form `json:"model"`
	Parameters int             `json:"parameters"`
	CVRMSE     float64         `json:"cv_rmse"`
	BIC        float64         `json:"bic"`
	Against    string          `json:"against,omitempty"` // why it was not taken into account
}

func diagnose(m regression.Model, l regression.Limits) Diagnosis {
	d := Diagnosis{
		Parameters: m.P, CVRMSE: known(m.CVRMSE), NMBE: known(m.NMBE), R2: known(m.R2), AdjR2: known(m.AdjR2),
		DurbinWatson: known(m.DurbinWatson), Rho: m.Rho, NEffective: m.NEffective, BIC: known(m.BIC),
		Inflation: []float64{}, Reasons: m.Judge(l),
	}
	if d.Accepted = len(d.Reasons) == 0; d.Accepted {
		d.Reasons = []string{}
	}
	for _, c := range m.Coefficients[1:] {
		d.Inflation = append(d.Inflation, known(c.VIF))
	}
	for _, c := range m.Considered {
		d.Considered = append(d.Considered, Considered{c.Form, c.P, known(c.CVRMSE), known(c.BIC), c.Against})
	}
	return d
}

// known turns a figure that does not exist into 0, because JSON has no other word.
func known(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}
