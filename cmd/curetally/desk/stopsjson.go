package desk

import (
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/stops"
	"curetally/internal/core/upkeep"
	"curetally/internal/work/plan"
)

// stopsJSON is a proposal as printed by stops --json.
type stopsJSON struct {
	At time.Time `json:"at"`
	To time.Time `json:"to"`
	// Exact: no proposal has a better score; else none is better than floor.
	Exact      bool           `json:"exact"`
	Score      stops.Score    `json:"score"`
	Floor      stops.Score    `json:"floor"`
	Stops      []stopJSON     `json:"stops"`
	Unplaced   []unplacedJSON `json:"unplaced"`
	Later      []taskJSON     `json:"later"`
	NextStopBy *time.Time     `json:"next_stop_by"` // null when nothing is left for later
}

type stopJSON struct {
	Press        plant.PressID `json:"press"`
	From         time.Time     `json:"from"`
	To           time.Time     `json:"to"`
	Minutes      int           `json:"minutes"`
	People       int           `json:"people"`
	Note         string        `json:"note,omitempty"`
	UsedMinutes  int           `json:"used_minutes"`
	SavedMinutes int           `json:"saved_minutes"`
	Blocks       []blockJSON   `json:"blocks"`
	Parts        []partCount   `json:"parts"`
	Cautions     []upkeep.Card `json:"cautions"`
}

type blockJSON struct {
	Isolation        string       `json:"isolation,omitempty"`
	IsolationMinutes int          `json:"isolation_minutes"`
	Start            time.Time    `json:"start"`
	Minutes          int          `json:"minutes"`
	Who              []int        `json:"who"` // counted from 1
	Tasks            []placedJSON `json:"tasks"`
}

type taskJSON struct {
	Task    string    `json:"task"`
	Title   string    `json:"title"`
	Minutes int       `json:"minutes"`
	P10     time.Time `json:"due_p10"`
	P50     time.Time `json:"due_p50"`
	P90     time.Time `json:"due_p90"`
}

type placedJSON struct {
	taskJSON
	DaysEarly    int     `json:"days_early"`
	IntervalLost float64 `json:"interval_lost_fraction"`
	DaysLate     int     `json:"days_late"`
	Reason       string  `json:"reason,omitempty"`
}

type unplacedJSON struct {
	taskJSON
	Reason         string     `json:"reason"`
	MissingMinutes int        `json:"missing_minutes"`
	Nearest        *time.Time `json:"nearest_stop"` // null when there is none
}

func stopsDocument(p plan.StopPlan) stopsJSON {
	one := func(t stops.Task) taskJSON {
		return taskJSON{Task: t.Name, Title: p.Tasks[t.Name].Title, Minutes: t.Minutes, P10: t.P10, P50: t.P50, P90: t.P90}
	}
	doc := stopsJSON{
		At: p.From, To: p.To, Exact: p.Exact, Score: p.Score, Floor: p.Floor,
		Stops: []stopJSON{}, Unplaced: []unplacedJSON{}, Later: []taskJSON{},
	}
	if by, ok := p.NextStopBy(); ok {
		doc.NextStopBy = &by
	}
	for _, f := range p.Stops {
		s := stopJSON{
			Press: f.Stop.Press, From: f.Stop.From, To: f.Stop.To, Minutes: f.Stop.Minutes, People: f.Stop.People, Note: f.Stop.Note,
			UsedMinutes: f.Minutes, SavedMinutes: f.SavedMinutes, Blocks: []blockJSON{}, Parts: partsOf(p, f), Cautions: []upkeep.Card{},
		}
		for _, b := range f.Blocks {
			block := blockJSON{
				Isolation: b.Isolation, IsolationMinutes: b.IsolationMinutes, Minutes: b.Minutes, Who: b.People,
				Start: f.Stop.From.Add(time.Duration(b.Start) * time.Minute),
			}
			for _, t := range b.Tasks {
				block.Tasks = append(block.Tasks, placedJSON{one(t.Task), t.DaysEarly, p.ShareLost(t), t.DaysLate, t.Reason})
			}
			s.Blocks = append(s.Blocks, block)
		}
		if len(f.Blocks) > 0 {
			s.Cautions = cautionsOf(tasksOf(p, f))
		}
		doc.Stops = append(doc.Stops, s)
	}
	for _, u := range p.Unplaced {
		out := unplacedJSON{taskJSON: one(u.Task), Reason: u.Reason, MissingMinutes: u.MissingMinutes}
		if !u.Nearest.IsZero() {
			out.Nearest = &u.Nearest
		}
		doc.Unplaced = append(doc.Unplaced, out)
	}
	for _, t := range p.Later {
		doc.Later = append(doc.Later, one(t))
	}
	return doc
}
