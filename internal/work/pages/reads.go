package pages

import (
	"context"
	"html/template"
	"io"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/readiness"
	"curetally/internal/core/savings"
	"curetally/internal/core/spares"
	"curetally/internal/core/upkeep"
	"curetally/internal/core/usage"
)

// Live gives what is the case now. Results of all sources belong to the caller.
type Live interface {
	Now(ctx context.Context) (Now, error)
	// Measured gives the share of each meter's energy of the last so many days that
	// was measured or interpolated; meters without energy are not there.
	Measured(ctx context.Context, days int) (map[string]float64, error)
	// Waiting gives register values that wait for a ruling.
	Waiting(ctx context.Context) ([]Held, error)
	// Acts gives up to limit acts recorded before the one with an id (0: all), the
	// newest first.
	Acts(ctx context.Context, before int64, limit int) ([]Act, error)
}

// Upkeep gives tasks and lamps. Pictures are drawn with texts in the language.
type Upkeep interface {
	Tasks(ctx context.Context) (Tasks, error)
	Lamps(ctx context.Context, language string) (Lamps, error)
}

// Figures gives energy and savings.
type Figures interface {
	// Energy tells where energy of the last so many days went.
	Energy(ctx context.Context, days int) (Energy, error)
	Savings(ctx context.Context, language string) ([]Project, error)
	// Download writes a document of a project: "xlsx", "json" or "csv".
	Download(ctx context.Context, out io.Writer, d Document) error
}

// Document names a document of a project.
type Document struct{ Project, Form, Language string }

// Picture is a plot ready to be set into a page, with the table behind it. Wide and
// Narrow are drawings that this program made.
type Picture struct {
	Title, Says  string
	Wide, Narrow template.HTML
	Heads        []string
	Rows         [][]string
	Words        int // so many first columns are words, the others figures
}

// Now is the plant at an instant. Zone is the site's.
type Now struct {
	Site      string
	At, Until time.Time // Until ends what is counted; zero while nothing is
	Zone      *time.Location
	Findings  []Finding
	Presses   []Press
	Meters    []Meter
}

// Finding is something that is wrong, with its remedy.
type Finding struct {
	Kind, Subject, Text, Remedy string
	Since                       time.Time
}

// Press is a press with its stations in the order of the web.
type Press struct {
	Title    string
	Stations []Station
}

// Station is one curing station. Hours, starts and energy are all that is on record.
type Station struct {
	Name, Title string
	Technology  plant.Technology
	State       plant.State
	Inferred    bool // the state was concluded from power
	Since       time.Time
	Watts       *float64 // nil where no fresh value is at hand
	LitHours    float64
	Starts      int64
	EnergyKWh   float64
	Lamp        *Fitted
}

// Fitted is the lamp in a station. Hours are equivalent hours; Rated is 0 for a kind
// without a rating.
type Fitted struct {
	Serial, Kind       string
	Hours, Rated, Used float64
}

// Meter is one power meter.
type Meter struct {
	Name      string
	Watts     *float64
	EnergyKWh float64
	Estimated bool
	Heard     time.Time
	Silent    bool
	Trouble   string
}

// Held is a register value that is held out of its curve.
type Held struct {
	Register      string
	At            time.Time
	Before, Value float64
	Unit          string
}

// Act is what a person did, as the log has it.
type Act struct {
	ID                          int64
	At                          time.Time
	By, Action, Subject, Detail string
}

// Tasks are all tasks, how they fit into planned stops, and what was recorded last.
type Tasks struct {
	Tasks  []Task
	Stops  []Stop
	Recent []plant.TaskAct // the newest first; each is the last of its task and stands
}

// Task is a task. Change says that it is the change of a lamp.
type Task struct {
	upkeep.Task
	Change bool
}

// Name is how people name the task.
func (t Task) Name() string { return string(t.Rule) + "/" + t.Subject }

// Stop is a planned stop with the names of the tasks proposed for it.
type Stop struct {
	From, To time.Time
	Press    string
	Minutes  int // of work proposed
	Tasks    []string
}

// Lamps is what is known of lamps.
type Lamps struct {
	Lamps  []Lamp
	Stock  []Stock
	Held   spares.Held
	Output []Picture
}

// Lamp is one lamp with its life. Hours are equivalent hours.
type Lamp struct {
	Serial, Kind, Place, Station string
	Since                        time.Time
	Hours, Rated                 float64
	Used                         *float64 // of the rated life
	Remaining                    *float64 // median of what others of its age still lasted
	AtLeast                      bool     // Remaining is a lower bound
	P10, P50, P90                time.Time
	// Deadline is the local day by which a spent lamp is to be gone; zero for none.
	Deadline time.Time
}

// Stock is what the plant holds and needs of one kind. Need is enough with the service
// level of the plant for Weeks.
type Stock struct {
	Kind                  string
	Spares, Fitted, Spent int
	Need, Weeks           int
	Order                 int
	By                    time.Time
	Late                  bool
	LeadDays              int
	Assumed               bool // the lead time
}

// Energy is where energy went.
type Energy struct {
	States   usage.Report // by state
	Stations usage.Report
	Days     usage.Report
}

// Project is a savings project.
type Project struct {
	ID, Title string
	Missing   string // why there is no statement; empty when there is one
	Frozen    bool
	Baseline  savings.Baseline
	Statement savings.Statement
	Ready     readiness.Readiness // of a project without a frozen baseline
	Plots     []Picture
	Adjusted  []plant.Adjustment
	Findings  []string
}
