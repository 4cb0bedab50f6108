package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
)

// Store gives what statements and totals are made of.
type Store interface {
	StateTotals(ctx context.Context) ([]plant.StateTotal, error)
	LatestEvents(ctx context.Context) (map[plant.StationID]plant.StationEvent, error)
	// StatesSince gives the instant since which each station's latest state has
	// been reported without another between.
	StatesSince(ctx context.Context) (map[plant.StationID]time.Time, error)
	LatestSignals(ctx context.Context) ([]plant.Signal, error)
	DayAmounts(ctx context.Context, regs []plant.RegisterID, from, to time.Time) ([]plant.DayAmount, error)
	LatestReadings(ctx context.Context) ([]plant.Reading, error)
	// Exchanges gives the declared exchanges of a register, by time.
	Exchanges(ctx context.Context, reg plant.RegisterID) ([]plant.Exchange, error)
	// Adjustments gives the non-routine adjustments of a project by number.
	Adjustments(ctx context.Context, project plant.ProjectID) ([]plant.Adjustment, error)
	// Baseline gives the newest frozen baseline; found is false when there is
	// none.
	Baseline(ctx context.Context, project plant.ProjectID) (b plant.Frozen, found bool, err error)
}

// Freezer is where a baseline is frozen.
type Freezer interface {
	Store
	FreezeBaseline(ctx context.Context, f plant.Frozen) (version int, err error)
}

// daily is the rows of a project with what they were made of.
type daily struct {
	project plant.Project
	days    []savings.Day
	amounts []plant.DayAmount
}

// daysOf reads the daily rows of a project from all entries.
func daysOf(ctx context.Context, s Store, p *plant.Plant, pr plant.Project, now time.Time) (daily, error) {
	amounts, err := s.DayAmounts(ctx, savings.DriverRegisters(p, pr), time.Time{}, now)
	if err != nil {
		return daily{}, fmt.Errorf("days of project %s: %w", pr.ID, err)
	}
	// A register that stands still has no entries; its readings show that it is
	// alive.
	latest, err := s.LatestReadings(ctx)
	if err != nil {
		return daily{}, fmt.Errorf("latest readings: %w", err)
	}
	return daily{pr, savings.Days(p, pr, append(amounts, savings.Evidence(latest)...), now), amounts}, nil
}

// Freeze fits a project's baseline on the days that are on record now and
// freezes it. It returns the baseline as frozen. Where one is frozen already, info
// must say why a new version takes its place.
func Freeze(ctx context.Context, s Freezer, p *plant.Plant, pr plant.Project, info savings.FreezeInfo) (savings.Baseline, error) {
	d, err := daysOf(ctx, s, p, pr, info.At)
	if err != nil {
		return savings.Baseline{}, err
	}
	if info.Previous, err = version(ctx, s, pr.ID); err != nil {
		return savings.Baseline{}, err
	}
	b, err := savings.Freeze(pr, d.days, info)
	if err != nil {
		return savings.Baseline{}, refusal{err}
	}
	return keep(ctx, s, b)
}

// FreezeGiven freezes a baseline that was not measured here.
func FreezeGiven(ctx context.Context, s Freezer, pr plant.Project, draft savings.Baseline, info savings.FreezeInfo) (savings.Baseline, error) {
	var err error
	if info.Previous, err = version(ctx, s, pr.ID); err != nil {
		return savings.Baseline{}, err
	}
	b, err := savings.Seal(pr, draft, info)
	if err != nil {
		return savings.Baseline{}, refusal{err}
	}
	return keep(ctx, s, b)
}

// version is that of the newest frozen baseline; 0 for none.
func version(ctx context.Context, s Freezer, project plant.ProjectID) (int, error) {
	b, _, err := Frozen(ctx, s, project)
	return b.Version, err
}

// keep stores a sealed baseline and gives it its version.
func keep(ctx context.Context, s Freezer, b savings.Baseline) (savings.Baseline, error) {
	doc, err := json.Marshal(b)
	if err != nil {
		return savings.Baseline{}, fmt.Errorf("write baseline of project %s: %w", b.Project, err)
	}
	b.Version, err = s.FreezeBaseline(ctx, plant.Frozen{
		Project: b.Project, At: b.Frozen, Approver: b.Approver, Software: b.Software, Hash: b.DataHash, Document: doc,
	})
	if err != nil {
		return savings.Baseline{}, err
	}
	return b, nil
}

// Frozen reads a project's newest baseline; found is false when none is frozen.
func Frozen(ctx context.Context, s Store, project plant.ProjectID) (b savings.Baseline, found bool, err error) {
	f, found, err := s.Baseline(ctx, project)
	if err != nil || !found {
		return savings.Baseline{}, false, err
	}
	if err := json.Unmarshal(f.Document, &b); err != nil {
		return savings.Baseline{}, false, fmt.Errorf("read baseline %d of project %s: %w", f.Version, project, err)
	}
	if b.DataHash != f.Hash {
		return savings.Baseline{}, false, fmt.Errorf("baseline %d of project %s: the document's data hash is not the one recorded at freezing: %w", f.Version, project, savings.ErrAltered)
	}
	b.Version = f.Version
	return b, true, nil
}

// Asked is what a statement is asked for.
type Asked struct {
	Now    time.Time
	Period savings.Period
}

// State makes the savings statement of a project from its newest frozen
// baseline and the days on record. found is false when no baseline is frozen.
func State(ctx context.Context, s Store, p *plant.Plant, pr plant.Project, asked Asked) (st savings.Statement, b savings.Baseline, found bool, err error) {
	d, found, err := gather(ctx, s, p, pr, asked)
	return d.Statement, d.Baseline, found, err
}

// termsOf reads what a statement is made with beside baseline and days.
func termsOf(ctx context.Context, s Store, p *plant.Plant, b savings.Baseline, d daily) (savings.Terms, error) {
	meters, err := metering(ctx, s, p, b, d)
	if err != nil {
		return savings.Terms{}, err
	}
	adjustments, err := s.Adjustments(ctx, d.project.ID)
	if err != nil {
		return savings.Terms{}, err
	}
	for i := range adjustments {
		a := &adjustments[i]
		a.From, a.To = a.From.In(p.TimeZone), a.To.In(p.TimeZone)
	}
	return savings.Terms{Meters: meters, Adjustments: adjustments}, nil
}
