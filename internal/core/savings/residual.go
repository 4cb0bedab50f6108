package savings

import (
	"math"
	"time"
)

// Residual is how a row of a baseline lies to its model, per day of the row: what an
// auditor plots over time, over the drivers and over Expected.
type Residual struct {
	Day         time.Time `json:"day"`
	Drivers     []float64 `json:"drivers_per_day"`
	ActualKWh   float64   `json:"actual_kwh_per_day"`
	ExpectedKWh float64   `json:"expected_kwh_per_day"`
	ResidualKWh float64   `json:"residual_kwh_per_day"`
	// Leverage is the row's own weight in its expected energy, 0 to 1; over all rows it
	// adds up to the number of coefficients.
	Leverage float64 `json:"leverage"`
	// Studentized is the residual in units of its own standard deviation,
	// s·√(1 − leverage); 0 where that is 0. From 3 on a row deserves a look.
	Studentized float64 `json:"studentized"`
}

// Residuals gives the residual of each row; nil for a baseline without rows. Change
// points are taken as known.
func (b Baseline) Residuals() []Residual {
	var out []Residual
	for _, row := range b.Rows {
		x := row.perDay()
		r := Residual{Day: row.Day, Drivers: x, ActualKWh: row.Energy.KWh() / row.length(), ExpectedKWh: b.Predict(x)}
		r.ResidualKWh = r.ActualKWh - r.ExpectedKWh
		r.Leverage = min(b.Model.Leverage(b.Columns(x), 1), 1)
		if sd := b.Model.ResidualSD * math.Sqrt(1-r.Leverage); sd > 0 {
			r.Studentized = r.ResidualKWh / sd
		}
		out = append(out, r)
	}
	return out
}
