package spares_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
	"curetally/internal/core/stats"
)

func near(t rapid.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Fatalf("%s is %.15g, want %.15g", what, got, want)
	}
}

func need(t rapid.TB, positions []spares.Position, weeks int) []spares.Counts {
	t.Helper()
	c, err := spares.Need(positions, weeks)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// once makes positions that are changed in week 0 with the given chances.
func once(chances ...float64) []spares.Position {
	var out []spares.Position
	for _, p := range chances {
		out = append(out, spares.Position{First: []float64{p}})
	}
	return out
}

// Every outcome of up to ten positions is counted one by one.
func TestNeed_Enumerated(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		chances := rapid.SliceOfN(rapid.Float64Range(0, 1), 0, 10).Draw(rt, "chances")
		want := make([]float64, len(chances)+1)
		for outcome := range 1 << len(chances) {
			p, n := 1.0, 0
			for i, c := range chances {
				if outcome>>i&1 == 1 {
					p *= c
					n++
				} else {
					p *= 1 - c
				}
			}
			want[n] += p
		}
		got := need(rt, once(chances...), 1)[0]
		sum := 0.0
		for n := range want {
			sum += want[n]
			near(rt, "chance of at most n", got.AtMost(n), sum, 1e-12)
		}
	})
}

// Equal chances give the binomial distribution.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.6.18: for n = 10
// and p = 0.5 the chance of x is the number of combinations of 10 over 1024.
func TestNeed_EqualChancesAreBinomial(t *testing.T) {
	got := need(t, once(0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5), 1)[0]
	for n, ways := range []float64{1, 10, 45, 120, 210, 252, 210, 120, 45, 10, 1} {
		near(t, "chance", got[n], ways/1024, 1e-15)
	}
	if got.Enough(0.95) != 8 || got.Enough(0.94) != 7 { // 968/1024 = 0.945, 1013/1024 = 0.989
		t.Errorf("enough at 95 %%: %d, at 94 %%: %d", got.Enough(0.95), got.Enough(0.94))
	}
}

// Many small chances are near a Poisson distribution, within a known bound.
// Source: L. Le Cam, An approximation theorem for the Poisson binomial
// distribution, Pacific Journal of Mathematics 10 (1960): the differences of all
// chances add up to less than twice the sum of the squares.
func TestNeed_NearPoissonWithinTheBound(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		chances := rapid.SliceOfN(rapid.Float64Range(0, 0.3), 1, 40).Draw(rt, "chances")
		mean, squares := 0.0, 0.0
		for _, p := range chances {
			mean, squares = mean+p, squares+p*p
		}
		got := need(rt, once(chances...), 1)[0]
		near(rt, "mean", got.Mean(), mean, 1e-12)
		apart, tail := 0.0, 1.0
		for n := range len(chances) + 1 {
			p := 0.0
			if n < len(got) {
				p = got[n]
			}
			q := distuv.Poisson{Lambda: max(mean, 1e-300)}.Prob(float64(n))
			apart += math.Abs(p - q)
			tail -= q
		}
		if apart+tail > 2*squares+1e-9 {
			rt.Fatalf("apart by %v, bound %v", apart+tail, 2*squares)
		}
	})
}

// Lamps that last a geometric number of weeks are changed in each week with the
// same chance, independently: the number of changes is then binomial. The chance
// not to last the week of the change itself is 0 in that case.
func TestNeed_ChangesThatFollowEachOther(t *testing.T) {
	const weeks, p = 12, 0.2
	geometric := make([]float64, weeks+1)
	for k := 1; k <= weeks; k++ {
		geometric[k] = p * math.Pow(1-p, float64(k-1))
	}
	got := need(t, []spares.Position{{First: geometric[1:], Next: geometric}}, weeks)
	for w, c := range got {
		b := distuv.Binomial{N: float64(w + 1), P: p}
		for n := range w + 2 {
			near(t, "chance", c.AtMost(n), b.CDF(float64(n)), 1e-12)
		}
	}
}

// The renewal function of lives of fixed length.
func TestNeed_FixedLife(t *testing.T) {
	four := []float64{0, 0, 0, 0, 1}
	got := need(t, []spares.Position{{First: []float64{0, 0, 1}, Next: four}}, 12)
	for w, want := range []float64{0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3} {
		near(t, "changes", got[w].Mean(), want, 1e-12)
	}
}

func TestNeed_RefusesWhatIsNoChance(t *testing.T) {
	for _, p := range []spares.Position{
		{First: []float64{-0.1}},
		{First: []float64{0.6, 0.6}},
		{First: []float64{math.NaN()}},
		{First: []float64{0.1}, Next: []float64{0.7}},
	} {
		if _, err := spares.Need([]spares.Position{p}, 3); !errors.Is(err, stats.ErrInput) {
			t.Errorf("%+v: %v", p, err)
		}
	}
}

func TestByWeekBetween(t *testing.T) {
	now := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	days := func(n float64) time.Time { return now.Add(time.Duration(n * 24 * float64(time.Hour))) }
	chance := spares.Between(days(14), days(21), days(35))
	for day, want := range map[float64]float64{12: 0, 12.25: 0, 14: 0.1, 17.5: 0.3, 21: 0.5, 28: 0.7, 35: 0.9, 38.5: 1, 40: 1} {
		near(t, "chance", chance(days(day)), want, 1e-12)
	}
	week := spares.ByWeek(func(after time.Duration) float64 { return chance(now.Add(after)) }, 7)
	for w, want := range []float64{0, 0.1, 0.4, 0.2, 0.2, 0.1, 0} {
		near(t, "week", week[w], want, 1e-12)
	}
	certain := spares.Between(days(-3), days(-3), days(-3)) // long due: now
	if got := spares.ByWeek(func(after time.Duration) float64 { return certain(now.Add(after)) }, 2); got[0] != 1 || got[1] != 0 {
		t.Errorf("overdue: %v", got)
	}
	near(t, "before a sure day", spares.Between(days(1), days(1), days(1))(now), 0, 0)
}

// The earlier of two events has not happened as long as neither has.
func TestSooner(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		weeks := func(name string) []float64 {
			out := rapid.SliceOfN(rapid.Float64Range(0, 1), 0, 8).Draw(rt, name)
			for i := range out {
				out[i] /= float64(len(out))
			}
			return out
		}
		a, b := weeks("a"), weeks("b")
		leftA, leftB, left := 1.0, 1.0, 1.0
		for w, p := range spares.Sooner(a, b) {
			if w < len(a) {
				leftA -= a[w]
			}
			if w < len(b) {
				leftB -= b[w]
			}
			left -= p
			near(rt, "left", left, leftA*leftB, 1e-12)
		}
	})
}

// A spare for each of four lamps that are due for sure in week 5.
func TestPlan(t *testing.T) {
	sure := spares.Position{First: []float64{0, 0, 0, 0, 0, 1}}
	due := need(t, []spares.Position{sure, sure, sure, sure}, 12)
	for _, tt := range []struct {
		supply spares.Supply
		want   spares.Order
	}{
		{spares.Supply{Stock: 1, LeadDays: 14, Service: 0.95}, spares.Order{Quantity: 3, ByDay: 21, ArrivesDay: 35, ShortWeek: 5}},
		{spares.Supply{Stock: 1, LeadDays: 14, Service: 0.95, Pack: 2}, spares.Order{Quantity: 4, ByDay: 21, ArrivesDay: 35, ShortWeek: 5}},
		{spares.Supply{Stock: 4, LeadDays: 14, Service: 0.95}, spares.Order{}},
		{spares.Supply{Stock: 3, LeadDays: 42, Service: 0.95}, spares.Order{Quantity: 1, ArrivesDay: 42, ShortWeek: 5, Late: true, RunsOut: 1}},
	} {
		got, err := spares.Plan(due, tt.supply)
		if err != nil || got != tt.want {
			t.Errorf("%+v: %+v, %v, want %+v", tt.supply, got, err, tt.want)
		}
	}
	for _, s := range []spares.Supply{{Stock: -1, Service: 0.9}, {Service: 1}, {}} {
		if _, err := spares.Plan(due, s); !errors.Is(err, stats.ErrInput) {
			t.Errorf("%+v: %v", s, err)
		}
	}
}

// Poisson need of 4 in the time that an order must last: 8 in the store are enough
// with 95 %, 7 are not.
// Source: tables of the cumulative Poisson distribution: mean 4, 0.949 at 7 and
// 0.979 at 8.
func TestPlan_OrderUpToLevelOfPoissonNeed(t *testing.T) {
	var chances []float64
	for range 4000 {
		chances = append(chances, 0.001)
	}
	c := need(t, once(chances...), 1)[0]
	near(t, "at most 7", c.AtMost(7), 0.949, 0.0005)
	near(t, "at most 8", c.AtMost(8), 0.979, 0.0005)
	o, err := spares.Plan([]spares.Counts{c}, spares.Supply{Stock: 2, Service: 0.95, CoverWeeks: 1})
	if err != nil || o.Quantity != 6 {
		t.Errorf("order %+v, %v", o, err)
	}
}

// Whatever the need: with the order the store lasts with the service level for
// the weeks that it covers, one lamp less would not do, and a day later is too
// late.
func TestPlan_IsTheLeastAndTheLatest(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		const weeks = 16
		var positions []spares.Position
		for range rapid.IntRange(1, 8).Draw(rt, "positions") {
			p := spares.Position{First: make([]float64, weeks)}
			due := rapid.IntRange(0, weeks-1).Draw(rt, "due")
			p.First[due] = 0.7
			p.First[(due+1)%weeks] = 0.3
			positions = append(positions, p)
		}
		due := need(rt, positions, weeks)
		s := spares.Supply{
			Stock: rapid.IntRange(0, 8).Draw(rt, "stock"), LeadDays: rapid.IntRange(0, 40).Draw(rt, "lead"),
			Service: rapid.Float64Range(0.5, 0.999).Draw(rt, "service"), CoverWeeks: rapid.IntRange(1, 8).Draw(rt, "cover"),
		}
		o, err := spares.Plan(due, s)
		if err != nil {
			rt.Fatal(err)
		}
		last := weeks - 1
		if o.Quantity > 0 {
			last = min(max(o.ArrivesDay/7+s.CoverWeeks-1, o.ShortWeek), weeks-1)
			if o.ShortWeek > 0 && due[o.ShortWeek-1].AtMost(s.Stock) < s.Service-1e-9 {
				rt.Fatalf("short before week %d", o.ShortWeek)
			}
			if due[last].AtMost(s.Stock+o.Quantity-1) >= s.Service {
				rt.Fatalf("%+v: one less would do", o)
			}
			if !o.Late && o.ArrivesDay != 7*o.ShortWeek || o.Late && o.ByDay != 0 {
				rt.Fatalf("%+v", o)
			}
		}
		if due[last].AtMost(s.Stock+o.Quantity) < s.Service-1e-9 {
			rt.Fatalf("%+v does not last", o)
		}
	})
}

func TestHold(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	p := &plant.Plant{TimeZone: zone}
	at := func(day string) time.Time {
		d, err := time.ParseInLocation(time.DateOnly, day, zone)
		if err != nil {
			t.Fatal(err)
		}
		return d.Add(15 * time.Hour)
	}
	lamps := []spares.Spent{
		{Serial: "L-2", Since: at("2026-03-02"), Kind: plant.LampKind{Technology: plant.TechnologyArc, ArcCentimeters: 107}},
		{Serial: "L-1", Since: at("2025-12-01"), Kind: plant.LampKind{Technology: plant.TechnologyArc, ArcCentimeters: 45}},
		{Serial: "L-3", Since: at("2026-05-01")},
	}
	h := spares.Hold(p, lamps, plant.DefaultUpkeep().SpentDays, at("2026-12-01"))
	if h.Count != 3 || !h.Oldest.Equal(at("2025-12-01")) || h.Deadline.Format(time.DateOnly) != "2026-12-01" || h.Overdue || h.OfUnknownSize != 1 {
		t.Errorf("%+v", h)
	}
	near(t, "least mercury", h.MercuryLow, 304, 1e-9)
	near(t, "most mercury", h.MercuryHigh, 684, 1e-9)
	if h = spares.Hold(p, lamps, plant.DefaultUpkeep().SpentDays, at("2026-12-02")); !h.Overdue {
		t.Errorf("%+v", h)
	}
	if h = spares.Hold(p, nil, plant.DefaultUpkeep().SpentDays, at("2026-12-02")); h != (spares.Held{}) {
		t.Errorf("%+v", h)
	}
}

// What the maker states comes before the estimate; a lamp that is no mercury arc has
// none.
func TestMercury_OfAKind(t *testing.T) {
	arc := plant.LampKind{Technology: plant.TechnologyArc}
	sized, stated := arc, arc
	sized.ArcCentimeters = 45
	stated.ArcCentimeters, stated.MercuryMilligrams = 45, 60
	for _, c := range []struct {
		kind      plant.LampKind
		low, high float64
		known     bool
	}{
		{arc, 0, 0, false},
		{plant.LampKind{}, 0, 0, false},
		{sized, 90, 202.5, true},
		{stated, 60, 60, true},
		{plant.LampKind{Technology: plant.TechnologyLED}, 0, 0, true},
	} {
		if low, high, known := spares.Mercury(c.kind); low != c.low || high != c.high || known != c.known {
			t.Errorf("%+v: %v to %v mg, known %v", c.kind, low, high, known)
		}
	}
}

// The mercury per centimetre is what the ideal gas gives at the ends of the usual
// range: m/l = p·A·M/(R·T).
// Source: SI Brochure, 9th edition: R = 8.314462618 J/(mol K); IUPAC standard
// atomic weight of mercury: 200.59.
func TestMercuryIsThatOfAnIdealGas(t *testing.T) {
	milligrams := func(bar, kelvin, boreMillimeters float64) float64 {
		area := math.Pi / 4 * boreMillimeters * boreMillimeters / 1e6
		return bar * 1e5 * area * 0.01 * 0.20059 / (8.314462618 * kelvin) * 1e6
	}
	near(t, "least", spares.LeastMercuryPerCentimeter, milligrams(1, 3000, 18), 0.1)
	near(t, "most", spares.MostMercuryPerCentimeter, milligrams(1.5, 2500, 20), 0.1)
}
