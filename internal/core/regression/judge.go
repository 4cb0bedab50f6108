package regression

import (
	"fmt"
	"math"
)

// Limits are what a model must keep to be accepted.
type Limits struct {
	CVRMSE float64 // at most, as a fraction
	NMBE   float64 // at most in absolute value, as a fraction
	R2     float64 // above, for a model with drivers
	T      float64 // above in absolute value, for every coefficient but the intercept
	Rows   int     // at least
}

// UsualLimits gives the limits of measurement and verification practice: ASHRAE
// Guideline 14 for a baseline against a reporting period of a year or more
// (CV(RMSE), valid points), site-level programmes (NMBE) and the IPMVP rules of
// thumb (R², t). From memory.
func UsualLimits() Limits {
	return Limits{CVRMSE: 0.25, NMBE: 0.005, R2: 0.75, T: 2, Rows: 9}
}

// Judge lists what of a model does not keep the limits, each with the figure, the
// limit and what can be done. An accepted model has none.
func (m Model) Judge(l Limits) []string {
	var reasons []string
	fail := func(format string, a ...any) { reasons = append(reasons, fmt.Sprintf(format, a...)) }
	if m.N < l.Rows {
		fail("%d rows, limit at least %d: add rows", m.N, l.Rows)
	}
	switch {
	case math.IsNaN(m.CVRMSE):
		fail("CV(RMSE) does not exist, because the mean energy is 0")
	case math.Abs(m.CVRMSE) > l.CVRMSE:
		fail("CV(RMSE) %.4g %%, limit %.4g %%: add a driver that explains the spread, or use longer periods", 100*m.CVRMSE, 100*l.CVRMSE)
	}
	if math.Abs(m.NMBE) > l.NMBE {
		fail("NMBE %.4g %%, limit ±%.4g %%: the model does not meet the mean of its own rows", 100*m.NMBE, 100*l.NMBE)
	}
	if math.IsNaN(m.R2) {
		fail("the energy is the same in every row, expected one that varies: look whether the meter counts")
	}
	if m.Form != Mean {
		if m.R2 <= l.R2 {
			fail("R² %.4g, limit above %.4g: the drivers explain too little of the energy", m.R2, l.R2)
		}
		for _, c := range m.Coefficients[1:] {
			if math.Abs(c.T) <= l.T {
				fail("%s: t %.4g, limit above %.4g in absolute value: use a model without it, or add rows in which it varies more", c.Name, c.T, l.T)
			}
		}
	}
	if m.NEffective < float64(m.P+1) {
		fail("residuals with a lag-1 correlation of %.4g leave %.4g effective rows, limit at least %d, one more than the parameters: add rows, or use longer periods",
			m.Rho, m.NEffective, m.P+1)
	}
	return reasons
}
