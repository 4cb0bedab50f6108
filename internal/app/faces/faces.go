// Package faces joins the HTTP interface to the daemon's parts: it turns what the
// pages show, the newest outlook, the book of lamps and the store into the types
// of package api, and errors into the faults that a client is told.
//
// It decides nothing. Where a figure is worked out, a process of its own does it;
// here it is only written down once more for programs.
//
// Nothing is kept here, so all methods are safe for concurrent use.
package faces

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"curetally/internal/app/deeds"
	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/store"
	"curetally/internal/work/api"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/plan"
	"curetally/internal/work/publish"
	"curetally/internal/work/web"
)

// ErrStarting is what is said before the first figures are there.
var ErrStarting = errors.New("the first figures are being worked out; try again in a few seconds")

// Face answers the interface from the daemon's parts. All fields are required.
type Face struct {
	Plant *plant.Plant
	Store *store.DB
	Pages web.Source
	// Outlook and Book give the newest; nil before the first.
	Outlook func() *plan.Outlook
	Book    func() *lampbook.Kept
}

// Fault sorts errors for api.Options.
func Fault(err error) api.Fault {
	switch {
	case errors.Is(err, deeds.ErrUnknown), errors.Is(err, store.ErrNotFound):
		return api.Unknown
	case errors.Is(err, store.ErrConflict):
		return api.Conflict
	case errors.Is(err, deeds.ErrRefused), errors.Is(err, publish.ErrRefused), errors.Is(err, savings.ErrNoDays):
		return api.Refused
	case errors.Is(err, ErrStarting):
		return api.Unavailable
	default:
		return api.Internal
	}
}

// Stations implements api.Live.
func (f Face) Stations(ctx context.Context) ([]api.Station, error) {
	o, err := f.Pages.Overview(ctx)
	if err != nil {
		return nil, err
	}
	var out []api.Station
	for _, p := range o.Presses {
		for _, s := range p.Stations {
			row := api.Station{
				Name: s.Name, Title: s.Title, Press: p.Name, Technology: s.Technology.String(), State: s.State.String(), Since: s.Since,
				PowerWatts: known(s.PowerWatts, s.PowerKnown), LitHours: s.LitHours, Starts: s.Starts, EnergyKWh: s.EnergyKWh,
			}
			if s.Lamp != nil {
				row.Lamp = s.Lamp.Serial
			}
			out = append(out, row)
		}
	}
	return out, nil
}

// Meters implements api.Live.
func (f Face) Meters(ctx context.Context) ([]api.Meter, error) {
	o, err := f.Pages.Overview(ctx)
	if err != nil {
		return nil, err
	}
	var out []api.Meter
	for _, m := range o.Meters {
		out = append(out, api.Meter{
			Name: m.Name, Title: m.Title, PowerWatts: known(m.PowerWatts, m.PowerKnown), EnergyKWh: m.EnergyKWh,
			Estimated: m.Estimated, Heard: m.Heard, Silent: m.Silent, Trouble: m.Trouble,
		})
	}
	return out, nil
}

// Findings implements api.Live.
func (f Face) Findings(ctx context.Context) ([]api.Finding, error) {
	o, err := f.Pages.Overview(ctx)
	if err != nil {
		return nil, err
	}
	var out []api.Finding
	for _, x := range o.Findings {
		out = append(out, api.Finding(x))
	}
	return out, nil
}

// Tasks implements api.Live.
func (f Face) Tasks(context.Context) ([]upkeep.Task, error) {
	look := f.Outlook()
	if look == nil {
		return nil, ErrStarting
	}
	return slices.Clone(look.Tasks), nil
}

// Lamps implements api.Lamps. Places are those of now, lives those of the newest
// book.
func (f Face) Lamps(ctx context.Context) ([]api.Lamp, error) {
	book := f.Book()
	if book == nil {
		return nil, ErrStarting
	}
	lives := map[plant.LampSerial]lampbook.Lamp{}
	for _, l := range book.Lamps {
		lives[l.Lamp.Serial] = l
	}
	records, err := lampbook.Records(ctx, f.Store, f.Plant, time.Now())
	if err != nil {
		return nil, err
	}
	var out []api.Lamp
	for _, r := range records {
		l, counted := lives[r.Lamp.Serial]
		row := api.Lamp{
			Serial: string(r.Lamp.Serial), Kind: r.Lamp.Kind, Technology: r.Kind.Technology.String(), Place: string(r.Place),
			Station: string(r.Station), Since: r.Since, Reason: r.Reason, RatedHours: r.Kind.RatedHours,
		}
		if counted {
			row.LitHours, row.Starts, row.EquivalentHours = unit.HoursFromMillis(l.Counters.Lit), l.Counters.Starts, l.Life.Equivalent
			row.UsedFraction = known(l.Life.UsedFraction, l.Life.RatedHours > 0)
			row.RemainingHours = known(l.Outlook.Remaining, r.Place == lampledger.Fitted)
		}
		out = append(out, row)
	}
	return out, nil
}

// Stock implements api.Lamps.
func (f Face) Stock(ctx context.Context) ([]lampledger.StockRow, error) {
	records, err := lampbook.Records(ctx, f.Store, f.Plant, time.Now())
	if err != nil {
		return nil, err
	}
	var out []lampledger.StockRow
	for _, k := range lampledger.StockOf(f.Plant, records) {
		out = append(out, k.Row())
	}
	return out, nil
}

// known is a pointer to a number, nil for one that is not known.
func known(v float64, is bool) *float64 {
	if !is || math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (f Face) project(name string) (plant.Project, error) {
	pr, ok := f.Plant.FindProject(plant.ProjectID(name))
	if !ok {
		return pr, fmt.Errorf("savings project %q is not in the configuration: %w", name, deeds.ErrUnknown)
	}
	return pr, nil
}

// Statement implements api.Savings.
func (f Face) Statement(ctx context.Context, project, period string) (savings.Statement, error) {
	pr, err := f.project(project)
	if err != nil {
		return savings.Statement{}, err
	}
	asked := publish.Asked{Now: time.Now()}
	if period != "" {
		if asked.Period, err = savings.ParsePeriod(period, f.Plant); err != nil {
			return savings.Statement{}, fmt.Errorf("%w: %w", deeds.ErrRefused, err)
		}
	}
	st, _, found, err := publish.State(ctx, f.Store, f.Plant, pr, asked)
	switch {
	case errors.Is(err, savings.ErrNoDays):
		return st, fmt.Errorf("%w: %w", deeds.ErrUnknown, err)
	case err == nil && !found:
		return st, noBaseline(pr)
	}
	return st, err
}

// Normalised implements api.Savings.
func (f Face) Normalised(ctx context.Context, project, period string) (savings.Normalised, error) {
	pr, err := f.project(project)
	if err != nil {
		return savings.Normalised{}, err
	}
	asked := publish.Asked{Now: time.Now()}
	if period != "" {
		if asked.Period, err = savings.ParsePeriod(period, f.Plant); err != nil {
			return savings.Normalised{}, fmt.Errorf("%w: %w", deeds.ErrRefused, err)
		}
	}
	n, found, err := publish.Normalise(ctx, f.Store, f.Plant, pr, asked)
	switch {
	case errors.Is(err, savings.ErrNoNormal):
		return n, fmt.Errorf("%w: %w", deeds.ErrUnknown, err)
	case err == nil && !found:
		return n, noBaseline(pr)
	}
	return n, err
}

func noBaseline(pr plant.Project) error {
	return fmt.Errorf("project %s has no frozen baseline — freeze it before the conversion: %w", pr.ID, deeds.ErrUnknown)
}

// Baseline implements api.Savings.
func (f Face) Baseline(ctx context.Context, project string) (savings.Baseline, error) {
	pr, err := f.project(project)
	if err != nil {
		return savings.Baseline{}, err
	}
	b, found, err := publish.Frozen(ctx, f.Store, pr.ID)
	if err == nil && !found {
		return b, noBaseline(pr)
	}
	return b, err
}

// Published implements api.Savings.
func (f Face) Published(ctx context.Context, project string) ([]plant.Published, error) {
	pr, err := f.project(project)
	if err != nil {
		return nil, err
	}
	return f.Store.Published(ctx, pr.ID)
}

// Adjustments implements api.Savings.
func (f Face) Adjustments(ctx context.Context, project string) ([]plant.Adjustment, error) {
	pr, err := f.project(project)
	if err != nil {
		return nil, err
	}
	all, err := f.Store.Adjustments(ctx, pr.ID)
	for i := range all {
		all[i].From, all[i].To = all[i].From.In(f.Plant.TimeZone), all[i].To.In(f.Plant.TimeZone)
	}
	return all, err
}

// Registers implements api.Records.
func (f Face) Registers() []plant.Register { return slices.Clone(f.Plant.Registers) }

// Day implements api.Records.
func (f Face) Day(t time.Time) time.Time { return f.Plant.Day(t, 0) }

// Entries implements api.Records.
func (f Face) Entries(ctx context.Context, regs []string, from, to time.Time) iter.Seq2[plant.Entry, error] {
	return f.Store.AllEntries(ctx, store.Window{Names: regs, From: from, To: to})
}

// Audit implements api.Records.
func (f Face) Audit(ctx context.Context, before int64, limit int) ([]api.Act, error) {
	rows, err := f.Store.AuditBefore(ctx, before, limit)
	var out []api.Act
	for _, r := range rows {
		out = append(out, api.Act(r))
	}
	return out, err
}

// Acts answers the acts of the interface.
type Acts struct{ deeds.Book }

// FreezeBaseline implements api.FigureActs.
func (a Acts) FreezeBaseline(ctx context.Context, f plant.Frozen, reason string) (string, error) {
	b, err := a.Freeze(ctx, f, reason, nil)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: baseline version %d of %s frozen by %s", b.Version, f.Project, f.Approver), nil
}

// PublishStatement implements api.FigureActs.
func (a Acts) PublishStatement(ctx context.Context, p plant.Published) (string, error) {
	period, err := savings.ParsePeriod(p.Period, a.Plant)
	if err != nil {
		return "", fmt.Errorf("%w: %w", deeds.ErrRefused, err)
	}
	return a.Publish(ctx, p, period)
}
