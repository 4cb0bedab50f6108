package app

import (
	"context"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/config"
	"curetally/internal/link/notify/retained"
	"curetally/internal/link/stationlink"
	"curetally/internal/work/plan"
	"curetally/internal/work/publish"
)

// boardPace is how often what is shown at the broker is made anew. Figures that
// grow with every interval then cost one message a minute.
const boardPace = time.Minute

// newBoard gives nil when nothing is to be shown.
func (d *Daemon) newBoard() (*retained.Board, error) {
	b, prefix := d.o.Config.Settings.Broker, d.o.Config.Settings.Notify.Retained
	if prefix == "" {
		return nil, nil
	}
	server, err := stationlink.Server(b.URL)
	if err != nil {
		return nil, err
	}
	security, err := brokerTLS(b)
	if err != nil {
		return nil, err
	}
	return retained.New(retained.Options{
		Server: server, ClientID: b.ClientID + config.BoardSuffix, Username: b.Username, Password: b.Password.Reveal(),
		TLS: security, KeepAlive: b.KeepAlive, Prefix: prefix, Log: d.log,
	}), nil
}

// showBoard renews what is shown until ctx ends. A failing store leaves the last
// state; the recorder says that it is away.
func (d *Daemon) showBoard(ctx context.Context) error {
	tick := time.NewTicker(countsPace)
	defer tick.Stop()
	var shown time.Time
	for {
		snap, look := d.publish.Newest(), d.plan.Newest()
		if now := time.Now(); snap != nil && look != nil && now.Sub(shown) >= boardPace {
			published, err := d.store.RecentStatements(ctx, time.Time{})
			if err == nil {
				err = d.board.Show(documents(d.plant, snap, look, published))
			}
			if err != nil && ctx.Err() == nil {
				d.log.Debug("what is shown at the broker is not up to date", "component", "app", "err", err)
			}
			shown = now
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// documents are the retained documents of a plant, by topic below the prefix.
func documents(p *plant.Plant, snap *publish.Snapshot, look *plan.Outlook, published []plant.Published) map[string]any {
	out := map[string]any{}
	newest := map[plant.ProjectID]*retained.Published{}
	for _, s := range published {
		if before := newest[s.Project]; before == nil || before.At.Before(s.At) {
			newest[s.Project] = &retained.Published{Period: s.Period, Version: s.Version, At: s.At.UTC(), Hash: s.Hash}
		}
	}
	for _, ps := range snap.Projects {
		doc := retained.Savings{Site: p.Name, Project: string(ps.Project.ID), Published: newest[ps.Project.ID]}
		if st := ps.Statement; ps.Stated {
			doc.Statement = &retained.Statement{
				BaselineVersion: st.BaselineVersion, From: st.From.UTC(), To: st.To.UTC(), Days: st.Days,
				ExpectedKWh: st.ExpectedKWh, ActualKWh: st.ActualKWh, SavedKWh: st.SavedKWh, SavedFraction: st.SavedFraction,
				HalfWidthKWh: st.HalfWidthKWh, Confidence: st.Confidence, Shown: st.Shown, Cost: st.Cost, CarbonKg: st.CarbonKg,
				Drifting: ps.Drifting,
			}
		} else {
			doc.Missing = ps.Missing
		}
		out["savings/"+retained.Level(string(ps.Project.ID))] = doc
	}
	tasks := retained.Tasks{Site: p.Name, Tasks: []retained.Task{}}
	for _, t := range look.Tasks {
		if t.Status == upkeep.OK {
			continue
		}
		tasks.Tasks = append(tasks.Tasks, retained.Task{
			Task: string(t.Rule) + "/" + t.Subject, Title: t.Title, Subject: t.Subject, Status: string(t.Status), Reason: t.Reason,
			Due: localDay(t.Due), DueP10: localDay(t.DueP10), DueP50: localDay(t.DueP50), DueP90: localDay(t.DueP90),
		})
	}
	out["tasks"] = tasks
	for station, f := range look.Fitted {
		out["lamps/"+retained.Level(string(station))] = retained.Lamp{
			Site: p.Name, Station: string(station), Serial: string(f.Lamp.Serial), Kind: f.Lamp.Kind, FittedSince: f.Since.UTC(),
			EquivalentHours: f.Life.Equivalent, RatedHours: f.Life.RatedHours, UsedFraction: f.Life.UsedFraction,
		}
	}
	return out
}

// localDay writes a local midnight as a calendar day; nothing without one.
func localDay(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}
