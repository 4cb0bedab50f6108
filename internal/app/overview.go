package app

import (
	"context"
	"math"
	"time"

	"curetally/internal/app/faces"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/work/collect"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/plan"
	"curetally/internal/work/publish"
	"curetally/internal/work/web"
)

// Overview implements web.Source from the newest snapshot and outlook.
func (d *Daemon) Overview(context.Context) (web.Overview, error) {
	snap, look := d.publish.Newest(), d.plan.Newest()
	if snap == nil || look == nil {
		return web.Overview{}, faces.ErrStarting
	}
	v := viewer{plant: d.plant, snap: snap, look: look, lamps: d.lamps.Newest(), power: snap.Powers(d.plant)}
	v.sum()
	out := web.Overview{
		SiteName: d.plant.Name, Now: snap.At, Zone: d.plant.TimeZone, DataUntil: v.last,
		Presses: v.presses(), Tasks: v.tasks(), Meters: v.meters(d.pollers),
	}
	out.Savings = v.savings()
	out.Findings = d.findings(snap)
	return out, nil
}

// viewer turns a snapshot and an outlook into what pages show.
type viewer struct {
	plant   *plant.Plant
	snap    *publish.Snapshot
	look    *plan.Outlook
	lamps   *lampbook.Kept            // nil before the first
	power   map[plant.MeterID]float64 // watts, where known
	amounts map[plant.RegisterID]int64
	energy  map[plant.StationID]int64
	last    time.Time // end of the last settled interval
}

func (v *viewer) sum() {
	v.amounts, v.energy = map[plant.RegisterID]int64{}, map[plant.StationID]int64{}
	for _, t := range v.snap.Totals {
		v.amounts[t.Register] += t.Amount
		if t.Last.After(v.last) {
			v.last = t.Last
		}
	}
	for _, r := range v.plant.Registers {
		if r.Quantity == plant.QuantityEnergy && r.Station != "" && !r.Part {
			v.energy[r.Station] += v.amounts[r.ID]
		}
	}
	if v.last.After(v.snap.At) {
		v.last = v.snap.At // the present interval is not over
	}
}

func (v *viewer) presses() []web.PressView {
	var out []web.PressView
	for _, pr := range v.plant.Presses {
		pv := web.PressView{Name: string(pr.ID), Title: pr.Title}
		for _, st := range pr.Stations {
			pv.Stations = append(pv.Stations, v.station(st))
		}
		out = append(out, pv)
	}
	return out
}

func (v *viewer) station(st plant.Station) web.StationView {
	sv := web.StationView{
		Name: string(st.ID), Title: st.Title, Technology: st.TechnologyAt(v.snap.At), State: v.snap.StateOf(st),
		LitHours:  unit.HoursFromMillis(v.amounts[plant.RegisterOf(st.ID, plant.ValueLit)]),
		Starts:    v.amounts[plant.RegisterOf(st.ID, plant.ValueStarts)],
		EnergyKWh: unit.Energy(v.energy[st.ID]).KWh(),
	}
	if e, ok := v.snap.Events[st.ID]; ok {
		sv.Since, sv.Inferred = v.snap.Since[st.ID], e.Inferred() && sv.State != plant.StateUnknown
		if e.Technology != plant.TechnologyNone {
			sv.Technology = e.Technology
		}
	}
	for _, b := range v.plant.Buses {
		for _, m := range b.Meters {
			if m.Station != st.ID {
				continue
			}
			if w, ok := v.power[m.ID]; ok {
				sv.PowerWatts, sv.PowerKnown = sv.PowerWatts+w, true
			}
		}
	}
	if f, ok := v.look.Fitted[st.ID]; ok {
		kind := f.Kind.Title
		if kind == "" {
			kind = f.Lamp.Kind
		}
		sv.Lamp = &web.LampView{
			Serial: string(f.Lamp.Serial), Kind: kind, FittedSince: f.Since,
			EquivalentHours: f.Life.Equivalent, RatedHours: f.Life.RatedHours, UsedFraction: f.Life.UsedFraction,
			Outlook: v.outlook(f.Lamp.Serial),
		}
	}
	return sv
}

// outlook is what the book of lamps expects of a fitted one; nil when it tells
// nothing.
func (v *viewer) outlook(serial plant.LampSerial) *web.LampOutlook {
	if v.lamps == nil {
		return nil
	}
	for _, l := range v.lamps.Lamps {
		if l.Lamp.Serial == serial && !math.IsNaN(l.Outlook.Remaining) {
			return &web.LampOutlook{Remaining: l.Outlook.Remaining, Fails: l.Outlook.Fails, Days: lampbook.AheadDays, Bounds: l.Outlook.AtLeast}
		}
	}
	return nil
}

func (v *viewer) tasks() []web.TaskView {
	var out []web.TaskView
	for _, t := range v.look.Tasks {
		if t.Status == upkeep.OK {
			continue
		}
		tv := web.TaskView{
			Title: t.Title, Subject: t.Subject, Status: string(t.Status), Due: t.Due, Guess: t.Guess,
			DueP10: t.DueP10, DueP50: t.DueP50, DueP90: t.DueP90,
			Reason: t.Reason, UsedFraction: t.UsedFraction, Minutes: t.Minutes, Parts: t.Parts,
		}
		for _, c := range t.Cautions {
			if c.Code == "" {
				continue // the page ends with the deferring sentence itself
			}
			tv.Cautions = append(tv.Cautions, web.Caution{Code: c.Code, Text: c.Text})
		}
		out = append(out, tv)
	}
	return out
}

func (v *viewer) meters(pollers []*collect.Poller) []web.MeterView {
	var out []web.MeterView
	for _, p := range pollers {
		for _, h := range p.Health() {
			mv := web.MeterView{
				Name: string(h.Meter), Title: string(h.Meter), Heard: h.LastSuccess, Silent: h.Trouble == collect.NoAnswer,
			}
			if h.Trouble != collect.Sound {
				mv.Trouble = h.Trouble.String()
			}
			mv.PowerWatts, mv.PowerKnown = v.power[h.Meter]
			for _, r := range v.plant.Registers {
				if owner, _ := r.ID.Split(); owner == string(h.Meter) && !r.Part {
					mv.EnergyKWh += unit.Energy(v.amounts[r.ID]).KWh()
					mv.Estimated = mv.Estimated || r.Curve == plant.FromPower
				}
			}
			out = append(out, mv)
		}
	}
	return out
}

func (v *viewer) savings() []web.SavingsView {
	var out []web.SavingsView
	for _, ps := range v.snap.Projects {
		pr, st := ps.Project, ps.Statement
		sv := web.SavingsView{Name: string(pr.ID), Title: pr.Title, Missing: ps.Missing}
		if ps.Stated {
			sv.From, sv.To = st.From, st.To.AddDate(0, 0, 1)
			sv.Adjustment = st.AdjustmentKWh
			sv.Expected, sv.Actual, sv.Saved, sv.Fraction = st.ExpectedKWh, st.ActualKWh, st.SavedKWh, st.SavedFraction
			sv.HalfWidth, sv.Confidence, sv.Shown = st.HalfWidthKWh, st.Confidence, st.Shown
			sv.ModelHalfWidth, sv.MeterHalfWidth, sv.Uncertainty = st.ModelHalfWidthKWh, st.MeterHalfWidthKWh, st.UncertaintyWords()
			sv.Days, sv.ExcludedDays, sv.OutsideRange = st.Days, len(st.Excluded), st.Extrapolated.Days
			sv.Cost, sv.CarbonKg, sv.CarbonSource = st.Cost, st.CarbonKg, pr.CarbonSource
			sv.BaselineVersion, sv.FrozenAt, sv.Approver = ps.Baseline.Version, ps.Baseline.Frozen, ps.Baseline.Approver
			sv.Months = months(ps, v.plant.TimeZone)
		}
		out = append(out, sv)
	}
	return out
}

// months adds the days that a statement and its baseline count up to calendar months
// and periods.
func months(ps publish.ProjectState, zone *time.Location) []web.MonthView {
	counted := map[int64]savings.SeriesPoint{}
	for _, p := range ps.Statement.Series {
		counted[p.Day.Unix()] = p
	}
	var out []web.MonthView
	for _, d := range ps.Days {
		period, expected := "reporting", 0.0
		if p, ok := counted[d.Day.Unix()]; ok {
			expected = p.ExpectedKWh + p.AdjustmentKWh
		} else if d.Excluded == "" && ps.Baseline.Covers(d.Day) {
			period, expected = "baseline", ps.Baseline.Predict(d.Drivers)
		} else {
			continue
		}
		y, m, _ := d.Day.In(zone).Date()
		first := time.Date(y, m, 1, 0, 0, 0, 0, zone)
		if n := len(out); n == 0 || !out[n-1].Month.Equal(first) || out[n-1].Period != period {
			out = append(out, web.MonthView{Month: first, Period: period})
		}
		mv := &out[len(out)-1]
		mv.Days++
		mv.Expected += expected
		mv.Actual += d.Energy.KWh()
	}
	return out
}
