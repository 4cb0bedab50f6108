package sights

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"time"

	"curetally/internal/app/answers"
	"curetally/internal/app/faces"
	"curetally/internal/core/access"
	"curetally/internal/core/plant"
	"curetally/internal/core/usage"
	"curetally/internal/link/config"
	"curetally/internal/link/report/words"
	"curetally/internal/link/store"
	"curetally/internal/work/api"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/pages"
	"curetally/internal/work/plan"
	"curetally/internal/work/publish"
	"curetally/internal/work/web"
)

// Parts are what a Sight is made from. All are required; those that are functions give
// the newest, nil before the first.
type Parts struct {
	Config   *config.Config
	Store    *store.DB
	Overview web.Source
	Outlook  func() *plan.Outlook
	Book     func() *lampbook.Kept
	Snapshot func() *publish.Snapshot
}

// Sight answers the pages from the daemon's parts. Build it with New.
type Sight struct {
	Parts
	energy *shelf[pages.Energy]
	plots  *shelf[[]pages.Picture]
}

// New builds a sight.
func New(p Parts) Sight {
	return Sight{Parts: p, energy: newShelf[pages.Energy](), plots: newShelf[[]pages.Picture]()}
}

func (s Sight) plant() *plant.Plant { return &s.Config.Plant }

// Speak gives the words of a language for pages.Options.
func Speak(language string) (pages.Words, error) { return words.New(language) }

// Fault gives the HTTP status of an error for pages.Options.
func Fault(err error) int {
	switch faces.Fault(err) {
	case api.Unknown:
		return http.StatusNotFound
	case api.Conflict:
		return http.StatusConflict
	case api.Refused:
		return http.StatusUnprocessableEntity
	case api.Unavailable:
		return http.StatusServiceUnavailable
	default:
		return http.StatusInternalServerError
	}
}

// Now implements pages.Live.
func (s Sight) Now(ctx context.Context) (pages.Now, error) {
	o, err := s.Overview.Overview(ctx)
	if err != nil {
		return pages.Now{Site: s.plant().Name, At: time.Now(), Zone: s.plant().TimeZone}, err
	}
	out := pages.Now{Site: o.SiteName, At: o.Now, Until: o.DataUntil, Zone: s.plant().TimeZone}
	for _, f := range o.Findings {
		out.Findings = append(out.Findings, pages.Finding(f))
	}
	for _, p := range o.Presses {
		press := pages.Press{Title: p.Title}
		for _, st := range p.Stations {
			press.Stations = append(press.Stations, station(st))
		}
		out.Presses = append(out.Presses, press)
	}
	for _, m := range o.Meters {
		row := pages.Meter{
			Name: m.Name, EnergyKWh: m.EnergyKWh, Estimated: m.Estimated, Heard: m.Heard, Silent: m.Silent, Trouble: m.Trouble,
		}
		if m.PowerKnown {
			row.Watts = &m.PowerWatts
		}
		out.Meters = append(out.Meters, row)
	}
	return out, nil
}

func station(st web.StationView) pages.Station {
	out := pages.Station{
		Name: st.Name, Title: st.Title, Technology: st.Technology, State: st.State, Inferred: st.Inferred, Since: st.Since, LitHours: st.LitHours, Starts: st.Starts, EnergyKWh: st.EnergyKWh,
	}
	if st.PowerKnown {
		out.Watts = &st.PowerWatts
	}
	if l := st.Lamp; l != nil {
		out.Lamp = &pages.Fitted{Serial: l.Serial, Kind: l.Kind, Hours: l.EquivalentHours, Rated: l.RatedHours, Used: l.UsedFraction}
	}
	return out
}

// Measured implements pages.Live.
func (s Sight) Measured(ctx context.Context, days int) (map[string]float64, error) {
	var names []string
	for _, reg := range s.plant().Registers {
		if reg.Quantity == plant.QuantityEnergy && !reg.Part {
			names = append(names, string(reg.ID))
		}
	}
	good, all := map[string]float64{}, map[string]float64{}
	for e, err := range s.Store.AllEntries(ctx, store.Window{Names: names, From: s.plant().Day(time.Now(), 1-days)}) {
		if err != nil {
			return nil, err
		}
		owner, _ := e.Register.Split()
		all[owner] += float64(e.Amount)
		if e.Quality <= plant.QualityInterpolated {
			good[owner] += float64(e.Amount)
		}
	}
	out := map[string]float64{}
	for owner, sum := range all {
		if sum > 0 {
			out[owner] = good[owner] / sum
		}
	}
	return out, nil
}

// Waiting implements pages.Live.
func (s Sight) Waiting(ctx context.Context) ([]pages.Held, error) {
	var out []pages.Held
	for _, reg := range s.plant().Registers {
		if reg.Curve != plant.FromReadings {
			continue
		}
		held, err := s.Store.Held(ctx, reg.ID)
		if err != nil {
			return nil, err
		}
		per := reg.Quantity.PerDisplay()
		for _, h := range held {
			out = append(out, pages.Held{Register: string(reg.ID), At: h.At, Before: float64(h.Before) / per, Value: float64(h.After) / per, Unit: reg.Quantity.DisplayUnit()})
		}
	}
	return out, nil
}

// Acts implements pages.Live.
func (s Sight) Acts(ctx context.Context, before int64, limit int) ([]pages.Act, error) {
	if err := access.Allow(ctx, access.ReadAudit); err != nil {
		return nil, err
	}
	rows, err := s.Store.AuditBefore(ctx, before, limit)
	var out []pages.Act
	for _, r := range rows {
		out = append(out, pages.Act(r))
	}
	return out, err
}

// stopWeeks is how far ahead planned stops are filled, recentActs how many acts can be
// taken back on the page.
const (
	stopWeeks  = 4
	recentActs = 10
)

// Tasks implements pages.Upkeep.
func (s Sight) Tasks(ctx context.Context) (pages.Tasks, error) {
	look := s.Outlook()
	if look == nil {
		return pages.Tasks{}, faces.ErrStarting
	}
	p := s.plant()
	var out pages.Tasks
	for _, t := range look.Tasks {
		change := slices.ContainsFunc(p.Rules, func(r plant.TaskRule) bool { return r.ID == t.Rule && r.LifeFraction >= 1 })
		out.Tasks = append(out.Tasks, pages.Task{Task: t, Change: change})
	}
	proposed, err := look.Stops(p, stopWeeks)
	if err != nil {
		return out, err
	}
	for _, f := range proposed.Stops {
		st := pages.Stop{From: f.Stop.From, To: f.Stop.To, Minutes: f.Minutes, Press: string(f.Stop.Press)}
		for _, pr := range p.Presses {
			if pr.ID == f.Stop.Press && pr.Title != "" {
				st.Press = pr.Title
			}
		}
		for _, b := range f.Blocks {
			for _, t := range b.Tasks {
				st.Tasks = append(st.Tasks, t.Task.Name)
			}
		}
		out.Stops = append(out.Stops, st)
	}
	acts, err := s.Store.TaskActs(ctx)
	if err != nil {
		return out, err
	}
	out.Recent = newest(acts)
	return out, nil
}

// newest gives the last act of each task, the newest first.
func newest(acts []plant.TaskAct) []plant.TaskAct {
	slices.SortFunc(acts, func(a, b plant.TaskAct) int { return int(b.ID - a.ID) })
	seen := map[string]bool{}
	var out []plant.TaskAct
	for _, a := range acts {
		if name := string(a.Rule) + "/" + a.Subject; !seen[name] && len(out) < recentActs {
			seen[name] = true
			out = append(out, a)
		}
	}
	return out
}

// Energy implements pages.Figures. It is worked out once for each snapshot.
func (s Sight) Energy(ctx context.Context, days int) (pages.Energy, error) {
	snap := s.Snapshot()
	if snap == nil {
		return pages.Energy{}, faces.ErrStarting
	}
	return s.energy.take(ctx, strconv.Itoa(days), snap.At.String(), func() (pages.Energy, error) {
		_, r, err := answers.Energy(ctx, s.Store, s.Config, answers.EnergyQuestion{
			By: []usage.By{usage.ByState, usage.ByStation, usage.ByDay}, From: s.plant().Day(snap.At, 1-days), Now: snap.At,
		})
		if err != nil {
			return pages.Energy{}, err
		}
		return pages.Energy{States: r[0], Stations: r[1], Days: r[2]}, nil
	})
}
