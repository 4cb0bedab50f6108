package app

import (
	"time"

	"curetally/internal/app/faces"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
)

// Summary says in a few figures what the daemon has counted.
type Summary struct {
	Site string    `json:"site"`
	At   time.Time `json:"at"`
	// EnergyKWh is what the meters inside the boundaries of the savings
	// projects have counted, or all meters where there is no project.
	EnergyKWh float64 `json:"energy_kwh"`
	// MetersKWh has every meter, by name.
	MetersKWh map[string]float64 `json:"meters_kwh"`
	// LitHours has every station, by name.
	LitHours map[string]float64 `json:"lit_hours"`
	Lamps    []LampSummary      `json:"lamps"`
	// Tasks are those that are upcoming, due or overdue.
	Tasks []upkeep.Task `json:"tasks"`
	// Savings is the statement of the first project; nil while there is none.
	Savings   *SavingsSummary `json:"savings"`
	Addresses Addresses       `json:"addresses"`
}

// LampSummary is the lamp in one station.
type LampSummary struct {
	Station    plant.StationID  `json:"station"`
	Serial     plant.LampSerial `json:"serial"`
	Kind       string           `json:"kind"`
	Since      time.Time        `json:"fitted"`
	Equivalent float64          `json:"equivalent_hours"`
	Rated      float64          `json:"rated_hours"`
	Used       float64          `json:"used_fraction"`
}

// SavingsSummary is a savings statement without its days.
type SavingsSummary struct {
	Project         plant.ProjectID `json:"project"`
	BaselineVersion int             `json:"baseline_version"`
	From            time.Time       `json:"from"`
	To              time.Time       `json:"to"`
	Days            int             `json:"days"`
	ExpectedKWh     float64         `json:"expected_kwh"`
	ActualKWh       float64         `json:"actual_kwh"`
	SavedKWh        float64         `json:"saved_kwh"`
	SavedFraction   float64         `json:"saved_fraction"`
	HalfWidthKWh    float64         `json:"half_width_kwh"`
	// The parts of HalfWidthKWh; that of the meters is 0 where no accuracy of them
	// is stated.
	ModelHalfWidthKWh float64    `json:"model_half_width_kwh"`
	MeterHalfWidthKWh float64    `json:"meter_half_width_kwh"`
	Confidence        float64    `json:"confidence"`
	Shown             bool       `json:"shown"`
	Cost              unit.Money `json:"cost_saved"`
	CarbonKg          float64    `json:"carbon_saved_kg"`
}

// Summary sums up the newest snapshot and outlook.
func (d *Daemon) Summary() (Summary, error) {
	snap, look := d.publish.Newest(), d.plan.Newest()
	if snap == nil || look == nil {
		return Summary{}, faces.ErrStarting
	}
	s := Summary{
		Site: d.plant.Name, At: snap.At, MetersKWh: map[string]float64{}, LitHours: map[string]float64{},
		Lamps: []LampSummary{}, Tasks: []upkeep.Task{},
	}
	amounts := map[plant.RegisterID]int64{}
	for _, t := range snap.Totals {
		amounts[t.Register] += t.Amount
	}
	inside := boundary(d.plant)
	var total unit.Energy
	for _, r := range d.plant.Registers {
		owner, value := r.ID.Split()
		switch {
		case r.Part:
		case r.Quantity == plant.QuantityEnergy:
			s.MetersKWh[owner] += unit.Energy(amounts[r.ID]).KWh()
			if inside == nil || inside[r.ID] {
				total += unit.Energy(amounts[r.ID])
			}
		case r.Station != "" && value == plant.ValueLit:
			s.LitHours[owner] = unit.HoursFromMillis(amounts[r.ID])
		}
	}
	s.EnergyKWh = total.KWh()
	for _, st := range d.plant.Stations() {
		if f, ok := look.Fitted[st.ID]; ok {
			s.Lamps = append(s.Lamps, LampSummary{
				Station: st.ID, Serial: f.Lamp.Serial, Kind: f.Lamp.Kind, Since: f.Since,
				Equivalent: f.Life.Equivalent, Rated: f.Life.RatedHours, Used: f.Life.UsedFraction,
			})
		}
	}
	for _, t := range look.Tasks {
		if t.Status != upkeep.OK {
			s.Tasks = append(s.Tasks, t)
		}
	}
	for _, ps := range snap.Projects {
		if ps.Stated {
			s.Savings = summarise(ps.Statement)
			break
		}
	}
	return s, nil
}

// boundary is the set of registers inside any project; nil without projects.
func boundary(p *plant.Plant) map[plant.RegisterID]bool {
	if len(p.Projects) == 0 {
		return nil
	}
	in := map[plant.RegisterID]bool{}
	for _, pr := range p.Projects {
		for _, r := range pr.Boundary {
			in[r] = true
		}
	}
	return in
}

func summarise(st savings.Statement) *SavingsSummary {
	return &SavingsSummary{
		Project: st.Project, BaselineVersion: st.BaselineVersion, From: st.From, To: st.To, Days: st.Days,
		ExpectedKWh: st.ExpectedKWh, ActualKWh: st.ActualKWh, SavedKWh: st.SavedKWh, SavedFraction: st.SavedFraction,
		HalfWidthKWh: st.HalfWidthKWh, ModelHalfWidthKWh: st.ModelHalfWidthKWh, MeterHalfWidthKWh: st.MeterHalfWidthKWh,
		Confidence: st.Confidence, Shown: st.Shown, Cost: st.Cost, CarbonKg: st.CarbonKg,
	}
}
