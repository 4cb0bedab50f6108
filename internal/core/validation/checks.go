package validation

import (
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Check is one of the checks.
type Check string

// The checks, in the order in which their findings are listed.
const (
	CheckIdentity Check = "identity" // the register is still the same one
	CheckTime     Check = "time"     // clocks agree
	CheckSum      Check = "sum"      // intervals add up to the register
	CheckSpike    Check = "spike"    // no interval stands out of its day
	CheckLimit    Check = "limit"    // no more than the rated power allows
	CheckStuck    Check = "stuck"    // the register moves while power flows
	CheckMissing  Check = "missing"  // readings everywhere
)

// Finding is what a check found, in words for a person.
type Finding struct {
	Check    Check            `json:"check"`
	Register plant.RegisterID `json:"register"`
	From     time.Time        `json:"from"`
	To       time.Time        `json:"to"`
	Seen     string           `json:"seen"`
	Expected string           `json:"expected"`
	Remedy   string           `json:"remedy"`
}

// Limits are what the checks allow.
type Limits struct {
	// Sum is the share by which intervals may differ from the register; 0 for the
	// entries of the ledger, which telescope.
	Sum float64
	// Spike is the excess of a day's highest interval over its third highest, as a
	// share of that, from which on it is flagged.
	Spike float64
}

// Usual gives the limits that hold for the ledger. From memory: the California
// standards for validating, editing and estimating interval data flag a spike above
// 1.8.
func Usual() Limits { return Limits{Spike: 1.8} }

// Evidence is what is known of one register over [From, To), on interval borders.
type Evidence struct {
	Plant    *plant.Plant
	Register plant.Register
	From, To time.Time
	Now      time.Time // no reading can be later
	// Curve is the curve as read. Counted is the same with what accrued over gaps
	// spread in time, as entries are cut from it.
	Curve, Counted ledger.Curve
	Steps          []plant.RegisterEvent
	Spans          []plant.Span // of the register's station; nil without one
	Entries        []plant.Entry
	// Samples are of the meter's power, in watts, where they tell of this register
	// alone; else nil.
	Samples []plant.Signal
	// Resolution is the step in which the register moves; see ledger.Resolution.
	Resolution int64
	// Distrusted are instants at which the clock of the station was off by more than
	// the site allows.
	Distrusted []time.Time
}

// Examine makes all checks, in their order.
func Examine(e Evidence, l Limits) []Finding {
	if e.Register.Wear != nil {
		return nil // its values are those of lit time, and judged there
	}
	return slices.Concat(e.identity(), e.clocks(), e.sum(l), e.spikes(l), e.limits(), e.standstills(), e.missing())
}

// finding begins a finding about this register.
func (e *Evidence) finding(c Check, from, to time.Time) Finding {
	return Finding{Check: c, Register: e.Register.ID, From: from, To: to}
}

// amount writes an amount of the register in its display unit.
func (e *Evidence) amount(v int64) string {
	q := e.Register.Quantity
	text := unit.Group(float64(v)/q.PerDisplay(), 3)
	if u := q.DisplayUnit(); u != "" {
		return text + " " + u
	}
	return unit.Group(float64(v)/q.PerDisplay(), 0)
}

// identity tells of values that look like those of another register, or of one
// that was set anew.
func (e *Evidence) identity() []Finding {
	var out []Finding
	for _, s := range e.Steps {
		if s.At.Before(e.From) || !s.At.Before(e.To) {
			continue
		}
		f := e.finding(CheckIdentity, s.At, s.At)
		switch s.Kind {
		case plant.StepReset:
			f.Seen = fmt.Sprintf("the register fell from %s to %s and goes on from there", e.amount(s.Before), e.amount(s.After))
			f.Expected = "a register that only rises, or starts again from zero at its end"
			f.Remedy = fmt.Sprintf("if the meter was exchanged, declare it with its last and first values: curetally exchange %s; else rule on the value: curetally ruling give %s", e.Register.ID, e.Register.ID)
		case plant.StepAmbiguous:
			f.Seen = fmt.Sprintf("from %s to %s in a time in which the register may have started again more than once", e.amount(s.Before), e.amount(s.After))
			f.Expected = "readings close enough together that it can pass its end once at most"
			f.Remedy = fmt.Sprintf("read the meter more often; what was counted is a lower bound until somebody rules on it: curetally ruling give %s", e.Register.ID)
		default:
			continue
		}
		out = append(out, f)
	}
	return out
}

// clocks tells of instants that cannot be true.
func (e *Evidence) clocks() []Finding {
	var out []Finding
	limit := e.Plant.ClockLimit
	if n := len(e.Curve); n > 0 && !e.Now.IsZero() && e.Curve[n-1].To.Sub(e.Now) > limit {
		f := e.finding(CheckTime, e.Now, e.Curve[n-1].To)
		f.Seen = fmt.Sprintf("a value is dated %s ahead of this machine's clock", words(e.Curve[n-1].To.Sub(e.Now)))
		f.Expected = fmt.Sprintf("no value later than now, within %s", words(limit))
		f.Remedy = "set the clock of this machine by a time server; values from an import: check the time zone of the file"
		out = append(out, f)
	}
	var off []time.Time
	for _, t := range e.Distrusted {
		if !t.Before(e.From) && t.Before(e.To) {
			off = append(off, t)
		}
	}
	if n := len(off); n > 0 {
		f := e.finding(CheckTime, off[0], off[n-1])
		f.Seen = fmt.Sprintf("the clock of the station was off by more than %s in %d messages; their time of arrival counts", words(limit), n)
		f.Expected = fmt.Sprintf("the clock of the station within %s", words(limit))
		f.Remedy = "set the clock of the station's controller by a time server"
		out = append(out, f)
	}
	return out
}

// sum compares the entries with the register's difference.
func (e *Evidence) sum(l Limits) []Finding {
	var entries int64
	for _, x := range e.Entries {
		entries += x.Amount
	}
	register, _ := e.Counted.Between(e.From, e.To)
	if SumAgrees(entries, register, l.Sum) {
		return nil
	}
	f := e.finding(CheckSum, e.From, e.To)
	f.Seen = fmt.Sprintf("intervals add up to %s, %+d of the smallest units", e.amount(entries), entries-register)
	f.Expected = fmt.Sprintf("the difference of the register, %s, exactly", e.amount(register))
	f.Remedy = "facts that came just now may not be settled yet: ask again; else curetally audit names the first interval that differs"
	return []Finding{f}
}

// SumAgrees says whether the sum of intervals differs from the register's
// difference by no more than a share of it.
func SumAgrees(intervals, register int64, share float64) bool {
	if intervals == register {
		return true
	}
	diff := float64(intervals) - float64(register)
	return max(diff, -diff) <= share*max(float64(register), -float64(register))
}

// spikes looks day by day for one interval that stands out. Only measured
// intervals of at least a tenth of the rated power take part, and with a station only
// those of curing alone: an interval in which the lamp was lit for a minute is no
// measure for others.
func (e *Evidence) spikes(l Limits) []Finding {
	if e.Register.Quantity != plant.QuantityEnergy {
		return nil
	}
	var out []Finding
	least := int64(float64(e.Register.Rules.MaxPerHour) * e.Plant.Interval.Hours() / 10)
	var day time.Time
	var starts []time.Time
	var amounts []int64
	close := func() {
		if excess, highest, ok := Spike(amounts); ok && excess > l.Spike {
			f := e.finding(CheckSpike, starts[highest], starts[highest].Add(e.Plant.Interval))
			f.Seen = fmt.Sprintf("%s in one interval, %.2f above the third highest of the day as a share of it", e.amount(amounts[highest]), excess)
			f.Expected = fmt.Sprintf("at most %.2f", l.Spike)
			f.Remedy = "look whether the load was true (curetally export entries); if a reading is wrong: curetally ruling give " + string(e.Register.ID) + " discard"
			out = append(out, f)
		}
		starts, amounts = nil, nil
	}
	for _, x := range e.intervals() {
		if d := e.Plant.Day(x.Start, 0); !d.Equal(day) {
			close()
			day = d
		}
		if x.Quality == plant.QualityMeasured && x.Amount > 0 && x.Amount >= least && e.curingOnly(x.Start) {
			starts, amounts = append(starts, x.Start), append(amounts, x.Amount)
		}
	}
	close()
	return out
}

// Spike gives by how much the highest of at least three amounts above zero exceeds
// the third highest, as a share of that, and which it is. ok is false for fewer.
func Spike(amounts []int64) (excess float64, highest int, ok bool) {
	if len(amounts) < 3 {
		return 0, 0, false
	}
	sorted := slices.Sorted(slices.Values(amounts))
	first, third := sorted[len(sorted)-1], sorted[len(sorted)-3]
	if third <= 0 {
		return 0, 0, false
	}
	return float64(first-third) / float64(third), slices.Index(amounts, first), true
}

// curingOnly says whether the station cured through the whole interval; true
// without a station.
func (e *Evidence) curingOnly(start time.Time) bool {
	if e.Register.Station == "" {
		return true
	}
	end := start.Add(e.Plant.Interval)
	return inStates(e.Spans, start, end, func(s plant.State) bool { return s == plant.StateCuring }) == e.Plant.Interval
}

// intervals cuts the counted curve into the intervals of the stretch.
func (e *Evidence) intervals() []ledger.Interval {
	all := ledger.Intervals(e.Counted, e.Plant.Interval)
	return slices.DeleteFunc(all, func(x ledger.Interval) bool { return x.Start.Before(e.From) || !x.Start.Before(e.To) })
}

// limits tells of values that were held out because they cannot be true, and of
// intervals that hold more than the rated power makes, unless somebody ruled on a
// value in them. The factor 1.1 is that of the ledger.
func (e *Evidence) limits() []Finding {
	var out []Finding
	expected := "at most the rated power, " + e.amount(e.Register.Rules.MaxPerHour) + " an hour"
	remedy := fmt.Sprintf("rule on the value (curetally ruling list, curetally ruling give %s); if the rating is wrong, correct max_power", e.Register.ID)
	ruled := map[int64]bool{}
	for _, s := range e.Steps {
		switch {
		case s.At.Before(e.From) || !s.At.Before(e.To):
		case s.Kind == plant.StepRuled:
			ruled[s.At.Truncate(e.Plant.Interval).Unix()] = true
		case s.Kind == plant.StepImplausible:
			f := e.finding(CheckLimit, s.At, s.At)
			f.Seen = fmt.Sprintf("the register went from %s to %s; the value is held out of the count", e.amount(s.Before), e.amount(s.After))
			f.Expected, f.Remedy = expected, remedy
			out = append(out, f)
		}
	}
	if e.Register.Rules.MaxPerHour <= 0 {
		return out
	}
	most := 1.1*float64(e.Register.Rules.MaxPerHour)*e.Plant.Interval.Hours() + float64(e.Resolution)
	for _, x := range e.intervals() {
		if float64(max(x.Amount, -x.Amount)) <= most || ruled[x.Start.Unix()] {
			continue
		}
		f := e.finding(CheckLimit, x.Start, x.Start.Add(e.Plant.Interval))
		f.Seen = e.amount(x.Amount) + " in one interval"
		f.Expected, f.Remedy = expected, remedy
		out = append(out, f)
	}
	return out
}

// missing tells of each gap. Gaps of a station's states are told once, by its time.
func (e *Evidence) missing() []Finding {
	_, value := e.Register.ID.Split()
	if e.timed() && value != plant.ValueTime {
		return nil
	}
	var out []Finding
	for _, g := range e.Gaps() {
		f := e.finding(CheckMissing, g.From, g.To)
		f.Seen = fmt.Sprintf("no reading for %s", words(g.To.Sub(g.From)))
		f.Expected = fmt.Sprintf("a reading at least every %s", words(e.Register.Rules.MaxGap))
		f.Remedy = "find out why the meter was silent; what accrued meanwhile is not known and would be estimated"
		switch {
		case e.timed():
			st, _ := e.Plant.FindStation(e.Register.Station)
			f.Seen = fmt.Sprintf("nothing was heard of the station for %s", words(g.To.Sub(g.From)))
			f.Expected = fmt.Sprintf("a message at least every %s", words(st.Silence))
			f.Remedy = "check the station's controller, its network and the broker; its counters tell the hours, not the states"
		case e.Register.Curve == plant.FromPower:
			f.Seen = fmt.Sprintf("no sample of power for %s", words(g.To.Sub(g.From)))
		case g.Known:
			f.Remedy = fmt.Sprintf("find out why the meter was silent; the register counted on: %s are exact, only when they accrued is estimated", e.amount(g.Amount))
		}
		out = append(out, f)
	}
	return out
}

// words writes a duration to the second.
func words(d time.Duration) string { return d.Round(time.Second).String() }
