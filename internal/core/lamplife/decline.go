package lamplife

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"curetally/internal/core/stats"
)

// Reading is one measurement of a lamp's output, from a fixed sensor or by hand.
type Reading struct {
	Hours   float64 // lit hours of the lamp
	Output  float64 // in any unit, above 0
	Cleaned bool    // the first one after the lens was cleaned
	// Since is the lit hours from that cleaning to the reading: 0 when it was
	// taken right after. It is read of a reading that is Cleaned, and of the
	// first.
	Since float64
}

// Constants of the projection. The window and the limit are those of IES TM-21,
// which was written for visible light of LEDs: its use for ultraviolet is by
// analogy, and readings at a press do not meet its conditions of test.
const (
	// longTest is the observed time from which the window applies, and veryLong
	// that from which it is the last half; between them it is the last
	// windowHours. Source: IES TM-21-11 Addendum B (2015), 5.2.3.
	longTest    = 6000
	veryLong    = 10_000
	windowHours = 5000
	// settlingIn are the first hours, which the window never takes.
	settlingIn = 1000
	// maxReach times the observed time is as far as a projection goes. Source:
	// IES TM-21-11. Fewer readings than this reach as many times as there are
	// readings; that rule is ours.
	maxReach = 6
	// minReadings is the least number of readings that is fitted.
	minReadings = 3
	// wild is the distance from the robust line, in robust standard deviations,
	// beyond which a reading is left out, and wildShare the share of output that
	// it must differ by at least, so that a bend or a small step of the output
	// is not thrown away for being seen precisely. From memory: the usual cut is
	// 3 to 5 deviations.
	wild      = 5
	wildShare = 0.05
)

// ErrFewReadings says that there are too few readings at different hours.
var ErrFewReadings = errors.New("add readings at other hours")

// Decline is how the output of a lamp falls:
// Initial·exp(−Ageing·hours − Dirt·hours since the last cleaning).
type Decline struct {
	// Initial is the fitted output at 0 h with a clean lens.
	Initial float64
	// Decay is the share lost per lit hour for good, as a rate on the logarithm.
	// When Separated is false it holds the dirt as well. It is 0 or less when
	// the output does not fall.
	Decay float64
	// Dirt is the same rate of what cleaning restores; NaN when not Separated.
	Dirt float64
	// Separated tells that ageing and dirt could be told apart, which takes two
	// cleanings between readings.
	Separated bool
	Cleanings int // cleanings after the first reading
	// Recoverable is the share of the clean output that dirt takes at the last
	// reading, 1 − exp(−Dirt · hours since the last cleaning); NaN when not
	// Separated.
	Recoverable float64
	Used        int // readings that the fit stands on
	Wild        int // readings left out because they are far from all others

	first, last float64 // hours of the first and last reading
	reference   float64 // output that counts as 1; 0 when it is Initial
	inside      []Reading
	fit         stats.Fit
}

// FitDecline fits the decline to readings, in order of hours and, at the same
// hours, of time. Before the first cleaning the lens is taken as clean at the
// first reading. Without cleanings, or with one, the sum of ageing and dirt is
// fitted; with two or more both are. Since moves the cleaning before its first
// reading.
//
// Wild readings are found by their distance from a line that they cannot move:
// the median of slopes within the stretches between cleanings gives the sum of
// ageing and dirt, the Theil-Sen slope of the stretches' levels the ageing. The
// rest is fitted by least squares on logarithms. It returns ErrFewReadings when
// fewer than three readings, or too few for the cleanings, are left, and
// stats.ErrInput for a reading below or at 0.
func FitDecline(readings []Reading) (Decline, error) {
	for i, r := range readings {
		if !(r.Output > 0) || math.IsInf(r.Output, 0) || !(r.Hours >= 0) || math.IsInf(r.Hours, 0) {
			return Decline{}, fmt.Errorf("reading %d is %v at %v h, expected both finite, the output above 0: %w", i+1, r.Output, r.Hours, stats.ErrInput)
		}
		if i > 0 && r.Hours < readings[i-1].Hours {
			return Decline{}, fmt.Errorf("reading %d is earlier than the one before it: %w", i+1, stats.ErrInput)
		}
	}
	if i := slices.IndexFunc(readings, func(r Reading) bool { return !(r.Since >= 0 && r.Since <= r.Hours) }); i >= 0 {
		return Decline{}, fmt.Errorf("reading %d at %v h is %v h after the cleaning, expected 0 to its hours: %w", i+1, readings[i].Hours, readings[i].Since, stats.ErrInput)
	}
	if len(readings) < minReadings {
		return Decline{}, fmt.Errorf("%d readings, expected at least %d: %w", len(readings), minReadings, ErrFewReadings)
	}
	all := stretches(readings)
	d := Decline{first: readings[0].Hours, last: readings[len(readings)-1].Hours, Cleanings: all[len(all)-1].stretch}
	d.Separated = d.Cleanings >= 2
	points := window(all, d.first, d.last)
	if d.Separated && points[len(points)-1].stretch-points[0].stretch < 2 {
		points = all // the window holds too few of the cleanings
	}
	far := farOff(all, d.Separated)
	for i, p := range all {
		if !far[i] {
			d.inside = append(d.inside, readings[p.index])
		}
	}
	points = slices.DeleteFunc(slices.Clone(points), func(p point) bool { return far[p.index] })
	d.Wild, d.Used = len(readings)-len(d.inside), len(points)
	if err := d.solve(points); err != nil {
		return Decline{}, err
	}
	if readings[0].Hours == 0 && !far[0] {
		d.reference = readings[0].Output
	}
	if d.Separated {
		d.Recoverable = -math.Expm1(-d.Dirt * all[len(all)-1].dirty)
	}
	return d, nil
}

// point is a reading as the fit sees it.
type point struct {
	index   int     // of the reading
	stretch int     // cleanings before it, those at the first reading not counted
	hours   float64 // lit hours
	dirty   float64 // lit hours since the cleaning
	log     float64 // ln output
}

func stretches(readings []Reading) []point {
	points := make([]point, len(readings))
	stretch, cleaned := 0, readings[0].Hours-readings[0].Since
	for i, r := range readings {
		if r.Cleaned && i > 0 {
			stretch, cleaned = stretch+1, r.Hours-r.Since
		}
		points[i] = point{i, stretch, r.Hours, r.Hours - cleaned, math.Log(r.Output)}
	}
	return points
}

// window gives the points that the projection may stand on, which are the last.
func window(points []point, first, last float64) []point {
	from, observed := first, last-first
	switch {
	case observed > veryLong:
		from = last - observed/2
		// Where no reading stands at the half, the one before it counts.
		if i := slices.IndexFunc(points, func(p point) bool { return p.hours >= from }); i > 0 && points[i].hours > from {
			from = points[i-1].hours
		}
	case observed >= longTest:
		from = max(last-windowHours, settlingIn)
	}
	return points[slices.IndexFunc(points, func(p point) bool { return p.hours >= from }):]
}

// farOff tells which points are far from a robust fit to all.
func farOff(points []point, separated bool) []bool {
	var slopes []float64
	var parts [][]point
	for i, p := range points {
		if i == 0 || p.stretch != points[i-1].stretch {
			parts = append(parts, nil)
		}
		parts[len(parts)-1] = append(parts[len(parts)-1], p)
	}
	for _, part := range parts {
		slopes = append(slopes, stats.PairSlopes(columns(part))...)
	}
	far := make([]bool, len(points))
	if len(slopes) == 0 {
		return far
	}
	total := stats.Median(slopes)
	starts, levels := make([]float64, len(parts)), make([]float64, len(parts))
	for i, part := range parts {
		var level []float64
		for _, p := range part {
			level = append(level, p.log-total*p.dirty)
		}
		starts[i], levels[i] = part[0].hours-part[0].dirty, stats.Median(level)
	}
	if separated {
		if line, err := stats.TheilSen(starts, levels, 0.5); err == nil {
			for i := range levels {
				levels[i] = line.Intercept + line.Slope*starts[i]
			}
		}
	}
	distance := make([]float64, len(points))
	for i, p := range points {
		distance[i] = math.Abs(p.log - total*p.dirty - levels[p.stretch])
	}
	limit := max(wild*1.4826*stats.Median(distance), wildShare)
	for i := range points {
		far[i] = distance[i] > limit
	}
	return far
}

func columns(part []point) (hours, logs []float64) {
	for _, p := range part {
		hours, logs = append(hours, p.hours), append(logs, p.log)
	}
	return hours, logs
}

// solve fits the points by least squares on logarithms. The second column is the
// hours since the cleaning, or the level after the one cleaning.
func (d *Decline) solve(points []point) error {
	d.Dirt, d.Recoverable = math.NaN(), math.NaN()
	names, second := []string{"hours"}, func(point) float64 { return 0 }
	switch {
	case d.Separated:
		names, second = append(names, "hours since cleaning"), func(p point) float64 { return p.dirty }
	case len(points) > 0 && points[0].stretch != points[len(points)-1].stretch:
		names, second = append(names, "cleaning"), func(p point) float64 { return float64(p.stretch) }
	}
	if err := d.regress(points, names, second); err != nil || !d.Separated {
		return err
	}
	if d.Dirt = -d.fit.Coefficients[2]; d.Dirt < 0 { // a lens does not clean itself
		d.Dirt = 0
		return d.regress(points, names[:1], second)
	}
	return nil
}

func (d *Decline) regress(points []point, names []string, second func(point) float64) error {
	var rows [][]float64
	var logs []float64
	for _, p := range points {
		rows, logs = append(rows, []float64{p.hours, second(p)}[:len(names)]), append(logs, p.log)
	}
	fit, err := stats.LeastSquares(rows, logs, names)
	if _, singular := errors.AsType[*stats.SingularError](err); singular || errors.Is(err, stats.ErrInput) {
		return fmt.Errorf("%d usable readings, expected at least %d at different hours: %w", len(points), len(names)+2, ErrFewReadings)
	}
	if err != nil {
		return err
	}
	d.fit, d.Initial, d.Decay = fit, math.Exp(fit.Coefficients[0]), -fit.Coefficients[1]
	return nil
}

// Observed is the lit time from the first to the last reading.
func (d Decline) Observed() float64 { return d.last - d.first }

// Limit is the lit hours beyond which nothing is projected: the hours of the
// first reading and six times the observed time, or as many times as readings
// were used when they are fewer.
func (d Decline) Limit() float64 {
	return d.first + float64(min(maxReach, d.Used))*d.Observed()
}

// Threshold is when the output with a clean lens reaches a share of what counts
// as 1: the reading at 0 h if there is one, else the fitted initial output.
type Threshold struct {
	// Hours is never beyond Limit; Capped says that it was.
	Hours  float64
	Capped bool
	// Calculated is Hours before the cap; NaN when the output does not fall.
	Calculated float64
	// Low and High are the limits of Calculated from the scatter of the readings,
	// capped likewise; NaN when the threshold was seen.
	Low, High float64
	// Seen tells that the readings themselves passed the threshold: Hours is
	// then interpolated between the last above and the first below for good.
	Seen bool
}

// To gives when the output reaches the share of its initial value, with limits
// at the confidence.
func (d Decline) To(share, confidence float64) Threshold {
	limit := d.Limit()
	t := Threshold{Hours: limit, Capped: true, Calculated: math.NaN(), Low: limit, High: limit}
	if at, ok := d.passed(share); ok {
		return Threshold{Hours: at, Calculated: at, Low: math.NaN(), High: math.NaN(), Seen: true}
	}
	fall := d.fall(share)
	low, high := d.band(fall, confidence)
	t.Low, t.High = min(low, limit), min(high, limit)
	if d.Decay <= 0 {
		return t
	}
	t.Calculated = max(fall/d.Decay, 0)
	t.Hours, t.Capped = min(t.Calculated, limit), t.Calculated > limit
	return t
}

// fall is the logarithm by which the clean output falls from its fitted start to
// the share of what counts as 1.
func (d Decline) fall(share float64) float64 {
	if d.reference == 0 {
		return -math.Log(share)
	}
	return d.fit.Coefficients[0] - math.Log(share*d.reference)
}

// passed interpolates where readings without cleanings fall below the share and
// stay there.
func (d Decline) passed(share float64) (hours float64, ok bool) {
	level := share * d.reference
	if d.reference == 0 {
		level = share * d.Initial
	}
	above := -1
	for i, r := range d.inside {
		if r.Output >= level {
			above = i
		}
	}
	if d.Cleanings > 0 || above < 0 || above == len(d.inside)-1 {
		return 0, false
	}
	a, b := d.inside[above], d.inside[above+1]
	return a.Hours + (a.Output-level)/(a.Output-b.Output)*(b.Hours-a.Hours), true
}

// band gives the hours at which the confidence band of the fitted clean output
// has fallen by the given logarithm, on both sides; +Inf where it never does.
// The edges solve (fall − decay·h)² = t²·Var(intercept + slope·h), as Fieller's
// theorem says.
func (d Decline) band(fall, confidence float64) (low, high float64) {
	q := stats.TQuantile(confidence, d.fit.N-d.fit.P) * d.fit.ResidualSD
	q *= q
	v00, v01, v11 := d.fit.Cov[0][0], d.fit.Cov[0][1], d.fit.Cov[1][1]
	if d.reference == 0 {
		v00, v01 = 0, 0 // the share is of the fitted output itself: its error is not in it
	}
	a := d.Decay*d.Decay - q*v11
	b := -2 * (d.Decay*fall + q*v01)
	e := fall*fall - q*v00
	disc := b*b - 4*a*e
	if disc < 0 {
		return 0, math.Inf(1)
	}
	s := math.Sqrt(disc)
	switch {
	case a > 0 && d.Decay <= 0: // it surely does not fall
		return math.Inf(1), math.Inf(1)
	case a <= 0: // it may not fall: no end above
		return max(2*e/(-b+s), 0), math.Inf(1)
	}
	return max((-b-s)/(2*a), 0), max((-b+s)/(2*a), 0)
}

// CleaningAfter is the lit hours after a cleaning at which dirt takes the allowed
// share of the output; +Inf when dirt takes none, NaN when ageing and dirt could
// not be told apart.
func (d Decline) CleaningAfter(allowed float64) float64 { return -math.Log1p(-allowed) / d.Dirt }

// WithDirt gives the lit hours at which the output reaches the share of its
// clean initial value on a lens that dirt has taken the allowed share from, which
// is earlier than on a clean one; NaN when ageing and dirt could not be told
// apart or the output does not fall.
func (d Decline) WithDirt(share, allowed float64) float64 {
	switch {
	case !d.Separated || d.Decay <= 0:
		return math.NaN()
	case d.Dirt == 0:
		allowed = 0
	}
	return max((d.fall(share)+math.Log1p(-allowed))/d.Decay, 0)
}
