package web

import (
	"context"
	"encoding/json"
	"math"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Source gives the overview as it is now. The result belongs to the caller and
// is not changed afterwards.
type Source interface {
	Overview(ctx context.Context) (Overview, error)
}

// Overview is everything that /api/v1/overview shows; the pages show the same.
// Energies are kilowatt-hours, powers watts, hours are hours.
type Overview struct {
	SiteName string    `json:"site"`
	Now      time.Time `json:"now"`
	// Zone is the site's time zone; every time on the page is shown in it.
	// nil means UTC.
	Zone *time.Location `json:"-"`
	// DataUntil is the end of what is settled; zero while nothing is.
	DataUntil time.Time     `json:"data_until,omitzero"`
	Findings  []Finding     `json:"findings"`
	Presses   []PressView   `json:"presses"`
	Tasks     []TaskView    `json:"tasks"`
	Savings   []SavingsView `json:"savings"`
	Meters    []MeterView   `json:"meters"`
}

// Finding is one thing that is wrong and that a person should look at: a silent
// station or meter, an implausible register, refused payloads, a store that
// does not answer.
type Finding struct {
	// Kind is a short noun phrase, for example "silent meter".
	Kind    string    `json:"kind"`
	Subject string    `json:"subject"`
	Text    string    `json:"text"`
	Remedy  string    `json:"remedy"`
	Since   time.Time `json:"since,omitzero"`
}

// PressView is one press with its stations in the order of the web.
type PressView struct {
	Name     string        `json:"name"`
	Title    string        `json:"title"`
	Stations []StationView `json:"stations"`
}

// StationView is one curing station. LitHours, Starts and EnergyKWh are
// cumulative over all that is kept of the station.
type StationView struct {
	Name       string           `json:"name"`
	Title      string           `json:"title"`
	Technology plant.Technology `json:"-"`
	State      plant.State      `json:"-"`
	// Inferred says that the station is silent and its state was concluded from the
	// power of its meter.
	Inferred bool `json:"state_inferred"`
	// Since is when the state began; zero when that is not known.
	Since time.Time `json:"since,omitzero"`
	// PowerKnown is false when no fresh value of the power is at hand.
	PowerKnown bool      `json:"-"`
	PowerWatts float64   `json:"-"`
	LitHours   float64   `json:"lit_hours"`
	Starts     int64     `json:"starts"`
	EnergyKWh  float64   `json:"energy_kwh"`
	Lamp       *LampView `json:"lamp"` // nil when none is fitted
}

// LampView is the lamp or LED module fitted in a station.
type LampView struct {
	Serial string `json:"serial"`
	Kind   string `json:"kind"`
	// EquivalentHours and RatedHours are lit hours with the wear of starts
	// added; RatedHours is 0 when the kind has no rating.
	EquivalentHours float64   `json:"equivalent_hours"`
	RatedHours      float64   `json:"rated_hours"`
	UsedFraction    float64   `json:"used_fraction"`
	FittedSince     time.Time `json:"fitted_since"`
	// Outlook is what the lives of others of its kind tell; nil when nothing.
	Outlook *LampOutlook `json:"outlook,omitempty"`
}

// LampOutlook is what is to be expected of a fitted lamp.
type LampOutlook struct {
	// Remaining is the further equivalent hours that half of such lamps last.
	Remaining float64 `json:"remaining_median_hours"`
	// Fails is the probability to fail within Days of the present use; NaN, in
	// JSON null, without use.
	Fails float64 `json:"-"`
	Days  int     `json:"days"`
	// Bounds: nothing of the kind has failed; Remaining is a lower bound and Fails
	// an upper one.
	Bounds bool `json:"bounds_only"`
}

// MarshalJSON writes an unknown probability as null.
func (o LampOutlook) MarshalJSON() ([]byte, error) {
	type plain LampOutlook
	return json.Marshal(struct {
		plain
		Fails *float64 `json:"fails_fraction"`
	}{plain(o), optional(o.Fails, true)})
}

// TaskView is one task that is upcoming, due or overdue.
type TaskView struct {
	Title   string `json:"title"`
	Subject string `json:"subject"`
	// Status is "upcoming", "due" or "overdue".
	Status string    `json:"status"`
	Due    time.Time `json:"due,omitzero"`
	// DueP10 and DueP90 are the local days between which it falls due with a
	// probability of 80 %, DueP50 is the likely one. Zero is no date.
	DueP10 time.Time `json:"due_p10,omitzero"`
	DueP50 time.Time `json:"due_p50,omitzero"`
	DueP90 time.Time `json:"due_p90,omitzero"`
	// Guess marks a due date that rests on too little use to be relied on.
	Guess        bool      `json:"guess"`
	Reason       string    `json:"reason"`
	UsedFraction float64   `json:"used_fraction"`
	Minutes      int       `json:"minutes"`
	Parts        []string  `json:"parts"`
	Cautions     []Caution `json:"cautions"`
}

// Caution is one card of safety advice for a task.
type Caution struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// SavingsView is the savings statement of one project, or the reason why there
// is none yet.
type SavingsView struct {
	Name  string `json:"name"`
	Title string `json:"title"`
	// Missing says why there is no statement and which command helps; all
	// fields below are then meaningless.
	Missing string `json:"missing,omitempty"`

	From, To time.Time `json:"-"` // reporting period, local midnights, To exclusive
	Expected float64   `json:"expected_kwh"`
	// Adjustment is what non-routine adjustments add to Expected.
	Adjustment float64 `json:"adjustment_kwh"`
	Actual     float64 `json:"actual_kwh"`
	Saved      float64 `json:"saved_kwh"`
	Fraction   float64 `json:"saved_fraction"`
	// HalfWidth is the half-width of Saved at Confidence, made of that of the model
	// and that of the meters. Uncertainty says in words what it includes.
	HalfWidth      float64 `json:"half_width_kwh"`
	ModelHalfWidth float64 `json:"model_half_width_kwh"`
	MeterHalfWidth float64 `json:"meter_half_width_kwh"`
	Uncertainty    string  `json:"uncertainty"`
	Confidence     float64 `json:"confidence"`
	// Shown says that the saving is larger than its own uncertainty.
	Shown        bool `json:"shown"`
	Days         int  `json:"days"`
	ExcludedDays int  `json:"excluded_days"`
	// OutsideRange counts days with more or less production than the baseline
	// ever saw.
	OutsideRange    int        `json:"outside_range_days"`
	Cost            unit.Money `json:"-"`
	CarbonKg        float64    `json:"carbon_kg"`
	CarbonSource    string     `json:"carbon_source"`
	BaselineVersion int        `json:"baseline_version"`
	FrozenAt        time.Time  `json:"frozen_at,omitzero"`
	Approver        string     `json:"approver"`
	// Months is the statement cut into calendar months.
	Months []MonthView `json:"months"`
}

// MonthView is one calendar month of a period.
type MonthView struct {
	Month    time.Time `json:"month"`  // local midnight that begins it
	Period   string    `json:"period"` // "baseline" or "reporting"
	Days     int       `json:"days"`
	Expected float64   `json:"expected_kwh"`
	Actual   float64   `json:"actual_kwh"`
}

// MeterView is one power meter.
type MeterView struct {
	Name       string  `json:"name"`
	Title      string  `json:"title"`
	PowerKnown bool    `json:"-"`
	PowerWatts float64 `json:"-"`
	EnergyKWh  float64 `json:"energy_kwh"`
	// Estimated says that the meter has no energy register and EnergyKWh is made
	// of samples of its power.
	Estimated bool `json:"energy_estimated"`
	// Heard is the instant of the last reading; zero when there was none.
	Heard time.Time `json:"heard,omitzero"`
	// Silent says that the meter has not answered for longer than it should.
	Silent bool `json:"silent"`
	// Trouble is what is wrong with the meter in two words, "no answer" when it is
	// silent; empty when nothing is.
	Trouble string `json:"trouble,omitempty"`
}

// MarshalJSON adds the zone's name and writes empty lists as [].
func (o Overview) MarshalJSON() ([]byte, error) {
	type plain Overview
	return json.Marshal(struct {
		plain
		Zone     string        `json:"zone"`
		Findings []Finding     `json:"findings"`
		Presses  []PressView   `json:"presses"`
		Tasks    []TaskView    `json:"tasks"`
		Savings  []SavingsView `json:"savings"`
		Meters   []MeterView   `json:"meters"`
	}{
		plain(o), o.zone().String(),
		listed(o.Findings), listed(o.Presses), listed(o.Tasks), listed(o.Savings), listed(o.Meters),
	})
}

func (o Overview) zone() *time.Location {
	if o.Zone == nil {
		return time.UTC
	}
	return o.Zone
}

// MarshalJSON writes state and technology as words and an unknown power as
// null.
func (s StationView) MarshalJSON() ([]byte, error) {
	type plain StationView
	return json.Marshal(struct {
		plain
		Technology string   `json:"technology"`
		State      string   `json:"state"`
		PowerWatts *float64 `json:"power_watts"`
	}{plain(s), s.Technology.String(), s.State.String(), optional(s.PowerWatts, s.PowerKnown)})
}

// MarshalJSON writes an unknown power as null.
func (m MeterView) MarshalJSON() ([]byte, error) {
	type plain MeterView
	return json.Marshal(struct {
		plain
		PowerWatts *float64 `json:"power_watts"`
	}{plain(m), optional(m.PowerWatts, m.PowerKnown)})
}

// MarshalJSON writes only the reason where there is no statement, and a
// fraction or half-width that does not exist as null.
func (s SavingsView) MarshalJSON() ([]byte, error) {
	if s.Missing != "" {
		return json.Marshal(struct {
			Name    string `json:"name"`
			Title   string `json:"title"`
			Missing string `json:"missing"`
		}{s.Name, s.Title, s.Missing})
	}
	type plain SavingsView
	type money struct {
		Amount   string `json:"amount"`
		Currency string `json:"currency"`
	}
	return json.Marshal(struct {
		plain
		From           time.Time   `json:"from,omitzero"`
		To             time.Time   `json:"to,omitzero"`
		Fraction       *float64    `json:"saved_fraction"`
		HalfWidth      *float64    `json:"half_width_kwh"`
		ModelHalfWidth *float64    `json:"model_half_width_kwh"`
		MeterHalfWidth *float64    `json:"meter_half_width_kwh"`
		Cost           money       `json:"cost"`
		Months         []MonthView `json:"months"`
	}{
		plain(s), s.From, s.To, optional(s.Fraction, true), optional(s.HalfWidth, true),
		optional(s.ModelHalfWidth, true), optional(s.MeterHalfWidth, true),
		money{s.Cost.Amount.String(), s.Cost.Currency}, listed(s.Months),
	})
}

// MarshalJSON writes empty lists as [].
func (t TaskView) MarshalJSON() ([]byte, error) {
	type plain TaskView
	return json.Marshal(struct {
		plain
		Parts    []string  `json:"parts"`
		Cautions []Caution `json:"cautions"`
	}{plain(t), listed(t.Parts), listed(t.Cautions)})
}

// MarshalJSON writes empty lists as [].
func (p PressView) MarshalJSON() ([]byte, error) {
	type plain PressView
	return json.Marshal(struct {
		plain
		Stations []StationView `json:"stations"`
	}{plain(p), listed(p.Stations)})
}

func listed[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

func optional(v float64, known bool) *float64 {
	if !known || math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
