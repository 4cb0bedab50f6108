package desk

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
	"curetally/internal/core/unit"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/store"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/plan"
)

// Spares says how many lamps will be needed, when to order how many, and what
// spent mercury lamps wait for disposal.
type Spares struct {
	Site
	Weeks int  `help:"How many weeks ahead." default:"26" placeholder:"N"`
	JSON  bool `help:"Print as JSON, week by week."`
}

// Validate refuses a number of weeks that is none.
func (c Spares) Validate() error {
	if c.Weeks < 1 || c.Weeks > 260 {
		return fmt.Errorf("--weeks %d: expected 1 to 260", c.Weeks)
	}
	return nil
}

// Run prints need, order and spent lamps of each kind. An order that is due today
// and lamps held too long are findings.
func (c Spares) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		now := time.Now()
		look, err := plan.Look(ctx, db, p, now)
		if err != nil {
			return err
		}
		book, err := lampbook.Read(ctx, db, p, now)
		if err != nil {
			return err
		}
		kinds, err := kindNeeds(p, look, book, c.Weeks)
		if err != nil {
			return err
		}
		held := spares.Hold(p, spentLamps(book), p.Upkeep.SpentDays, now)
		page := sparesPage{p, now, kinds, held}
		if c.JSON {
			err = WriteJSON(s.Stdout, page.document())
		} else {
			err = page.print(s.Stdout)
		}
		for _, k := range kinds {
			if err == nil && k.order.Quantity > 0 && k.order.ByDay == 0 {
				return ErrFinding
			}
		}
		if err == nil && held.Overdue {
			return ErrFinding
		}
		return err
	})
}

// kindNeed is what is to be expected of one kind.
type kindNeed struct {
	stock    lampledger.Stock
	need     []spares.Counts // to the end of each week
	order    spares.Order
	lead     int
	assumed  bool // the lead time
	unknown  int  // fitted lamps of whose end nothing is known
	failures bool // failures are reckoned with
}

// kindNeeds works out need and order of each kind that the plant has lamps of.
func kindNeeds(p *plant.Plant, look plan.Outlook, book lampbook.Book, weeks int) ([]kindNeed, error) {
	var records []lampledger.Record
	for _, l := range book.Lamps {
		records = append(records, l.Record)
	}
	var out []kindNeed
	for _, stock := range lampledger.StockOf(p, records) {
		if stock.Fitted+stock.Spares+stock.Spent == 0 {
			continue
		}
		k := kindNeed{stock: stock}
		k.lead, k.assumed = spares.LeadDays(stock.Kind)
		positions := k.positions(p, look, book, weeks)
		var err error
		if k.need, err = spares.Need(positions, weeks); err != nil {
			return nil, fmt.Errorf("lamps of kind %s: %w", stock.Kind.Name, err)
		}
		k.order, err = spares.Plan(k.need, spares.Supply{
			Stock: stock.Spares, LeadDays: k.lead, Service: p.Upkeep.ServiceLevel, CoverWeeks: p.Upkeep.CoverWeeks,
		})
		if err != nil {
			return nil, fmt.Errorf("lamps of kind %s: %w", stock.Kind.Name, err)
		}
		out = append(out, k)
	}
	return out, nil
}

// positions gives the chances of change of each fitted lamp of the kind. Failures
// are reckoned with once a lamp of the kind has failed: the lower bound on life
// that there is before would order lamps that nobody needs.
func (k *kindNeed) positions(p *plant.Plant, look plan.Outlook, book lampbook.Book, weeks int) []spares.Position {
	fails := failsOf(k.stock.Kind, book)
	k.failures = fails != nil
	var out []spares.Position
	for _, l := range book.Lamps {
		if l.Place != lampledger.Fitted || l.Lamp.Kind != k.stock.Kind.Name {
			continue
		}
		f := spares.Fitted{Age: l.Life.Equivalent, Fails: fails}
		if l.Outlook.PerDay > 0 { // NaN where it cannot be told
			f.PerDay = l.Outlook.PerDay
		}
		addPlanned(&f, p, look, l)
		position, ok := f.Position(look.At, weeks)
		if !ok {
			k.unknown++
			continue
		}
		out = append(out, position)
	}
	return out
}

// failsOf gives the chance of failures of a kind; nil where none has failed yet.
func failsOf(kind plant.LampKind, book lampbook.Book) func(age, further float64) float64 {
	for _, k := range book.Kinds {
		if k.Kind.Name == kind.Name && k.Known && k.Statistics.Failures > 0 {
			return k.Statistics.FailsWithin
		}
	}
	return nil
}

// addPlanned adds the planned change of a lamp, by the rules on its rated life.
func addPlanned(f *spares.Fitted, p *plant.Plant, look plan.Outlook, l lampbook.Lamp) {
	for _, r := range p.Rules {
		if r.LifeFraction <= 0 || !upkeep.Applies(r, l.Kind.Technology) {
			continue
		}
		if age := r.LifeFraction * l.Kind.RatedHours; f.ChangeAge == 0 || age < f.ChangeAge {
			f.ChangeAge = age
		}
		for _, t := range look.Tasks {
			if t.Rule == r.ID && t.Lamp == l.Lamp.Serial && !t.DueP50.IsZero() && (f.P50.IsZero() || t.DueP50.Before(f.P50)) {
				f.P10, f.P50, f.P90 = t.DueP10, t.DueP50, t.DueP90
			}
		}
	}
}

// spentLamps lists the spent mercury lamps.
func spentLamps(book lampbook.Book) []spares.Spent {
	var out []spares.Spent
	for _, l := range book.Lamps {
		if l.Place == lampledger.Spent && (lampledger.Stock{Kind: l.Kind}).Mercury() {
			out = append(out, spares.Spent{Serial: l.Lamp.Serial, Since: l.Since, ArcCentimeters: l.Kind.ArcCentimeters})
		}
	}
	return out
}

// sparesPage is what the command shows.
type sparesPage struct {
	p     *plant.Plant
	now   time.Time
	kinds []kindNeed
	held  spares.Held
}

func (v sparesPage) print(w io.Writer) error {
	p, now, kinds := v.p, v.now, v.kinds
	if len(kinds) == 0 {
		_, err := fmt.Fprintln(w, "no lamp is on record; record spares with curetally lamp receive KIND --count N --by NAME")
		return err
	}
	var rows []string
	for _, k := range kinds {
		last := k.need[len(k.need)-1]
		lead := fmt.Sprint(k.lead)
		if k.assumed {
			lead += " (assumed)"
		}
		by, quantity := "", ""
		if k.order.Quantity > 0 {
			by, quantity = Date(p.Day(now, k.order.ByDay), p), fmt.Sprint(k.order.Quantity)
		}
		rows = append(rows, row(k.stock.Kind.Name, fmt.Sprint(k.stock.Fitted), fmt.Sprint(k.stock.Spares),
			fmt.Sprintf("%.1f", last.Mean()), fmt.Sprint(last.Enough(p.Upkeep.ServiceLevel)), lead, by, quantity, k.cost(), k.said()))
	}
	header := fmt.Sprintf("KIND\tFITTED\tSPARES\tEXPECTED in %d weeks\tENOUGH at %.0f %%\tLEAD days\tORDER BY\tQUANTITY\tCOST\tREMARK", len(kinds[0].need), 100*p.Upkeep.ServiceLevel)
	if err := table(w, header, rows); err != nil {
		return err
	}
	return printHeld(w, p, v.held)
}

// cost is what the order costs; empty when the kind states no price.
func (k kindNeed) cost() string {
	if k.order.Quantity == 0 || k.stock.Kind.Price == (unit.Money{}) {
		return ""
	}
	total, err := k.stock.Kind.Price.Times(float64(k.order.Quantity))
	if err != nil {
		return ""
	}
	return total.String()
}

// said is what must be known of the figures.
func (k kindNeed) said() string {
	switch {
	case k.order.Late:
		return fmt.Sprintf("late: a chance of %.0f %% to run out before it arrives", 100*k.order.RunsOut)
	case k.unknown > 0:
		return fmt.Sprintf("%s without use or rated life not counted", Count(k.unknown, "lamp"))
	case !k.failures && k.stock.Fitted > 0:
		return "planned changes only: none has failed yet"
	default:
		return ""
	}
}

// printHeld tells of spent lamps; nothing when there are none.
func printHeld(w io.Writer, p *plant.Plant, h spares.Held) error {
	if h.Count == 0 {
		return nil
	}
	fmt.Fprintf(w, "\n%s in the store since %s: out by %s (upkeep.spent_days is %d)", Count(h.Count, "spent mercury lamp"), Date(h.Oldest, p), Date(h.Deadline, p), p.Upkeep.SpentDays)
	if h.Overdue {
		fmt.Fprint(w, ", OVERDUE")
	}
	fmt.Fprintln(w)
	if h.MercuryHigh > 0 {
		fmt.Fprintf(w, "mercury in them: about %.0f to %.0f mg, estimated from the length of the arc\n", h.MercuryLow, h.MercuryHigh)
	}
	if h.OfUnknownSize > 0 {
		fmt.Fprintf(w, "mercury of %s not estimated: give arc_cm of their kind\n", Count(h.OfUnknownSize, "lamp"))
	}
	for _, card := range upkeep.Cards([]string{"C12"}) {
		if _, err := fmt.Fprintf(w, "  %s\n", strings.TrimSpace(card.Code+" "+card.Text)); err != nil {
			return err
		}
	}
	return nil
}

// needJSON is one kind as printed by spares --json.
type needJSON struct {
	Kind         string     `json:"kind"`
	Fitted       int        `json:"fitted"`
	Spares       int        `json:"spares"`
	LeadDays     int        `json:"lead_days"`
	LeadAssumed  bool       `json:"lead_assumed"`
	NotCounted   int        `json:"lamps_not_counted"` // of whose end nothing is known
	WithFailures bool       `json:"with_failures"`
	Weeks        []weekJSON `json:"weeks"`
	Order        *orderJSON `json:"order"` // null when none is needed
}

type weekJSON struct {
	From     time.Time `json:"from"`
	Expected float64   `json:"expected_changes"` // in the week
	Enough   int       `json:"enough"`           // lamps from now to its end, at the service level
	Lasts    float64   `json:"spares_last_probability"`
}

type orderJSON struct {
	By       time.Time `json:"by"`
	Quantity int       `json:"quantity"`
	Arrives  time.Time `json:"arrives"`
	Late     bool      `json:"late"`
	RunsOut  float64   `json:"runs_out_before_probability"`
}

type heldJSON struct {
	Count         int       `json:"count"`
	Oldest        time.Time `json:"oldest,omitzero"`
	Deadline      time.Time `json:"deadline,omitzero"`
	Overdue       bool      `json:"overdue"`
	MercuryLow    float64   `json:"mercury_low_mg"`
	MercuryHigh   float64   `json:"mercury_high_mg"`
	OfUnknownSize int       `json:"of_unknown_size"`
	Deferral      string    `json:"deferral"`
}

func (v sparesPage) document() map[string]any {
	p, now, h := v.p, v.now, v.held
	rows := []needJSON{}
	for _, k := range v.kinds {
		r := needJSON{
			Kind: k.stock.Kind.Name, Fitted: k.stock.Fitted, Spares: k.stock.Spares, LeadDays: k.lead, LeadAssumed: k.assumed,
			NotCounted: k.unknown, WithFailures: k.failures,
		}
		before := 0.0
		for w, c := range k.need {
			r.Weeks = append(r.Weeks, weekJSON{
				From: now.Add(time.Duration(w) * spares.Week).UTC(), Expected: c.Mean() - before,
				Enough: c.Enough(p.Upkeep.ServiceLevel), Lasts: c.AtMost(k.stock.Spares),
			})
			before = c.Mean()
		}
		if o := k.order; o.Quantity > 0 {
			r.Order = &orderJSON{p.Day(now, o.ByDay), o.Quantity, p.Day(now, o.ArrivesDay), o.Late, o.RunsOut}
		}
		rows = append(rows, r)
	}
	return map[string]any{"at": now.UTC(), "service_level": p.Upkeep.ServiceLevel, "kinds": rows, "spent": heldJSON{
		h.Count, h.Oldest, h.Deadline, h.Overdue, h.MercuryLow, h.MercuryHigh, h.OfUnknownSize, upkeep.Deferral,
	}}
}
