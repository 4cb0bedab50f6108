package lampbook

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/survival"
)

// Store gives what a book is made of.
type Store interface {
	Facts
	LampCounters(ctx context.Context, area []plant.Register) ([]plant.LampCounters, error)
	DayAmounts(ctx context.Context, regs []plant.RegisterID, from, to time.Time) ([]plant.DayAmount, error)
}

// Book is all that is known of the lamps of a plant at one instant.
type Book struct {
	At    time.Time
	Lamps []Lamp // by serial
	Kinds []KindLife
}

// Lamp is one lamp with its history, its counters and, while it is fitted, what
// the lives of others tell about the rest of its own.
type Lamp struct {
	lampledger.Record
	Counters plant.LampCounters
	Life     lamplife.Life
	Outlook  Outlook
}

// Outlook is what is to be expected of a fitted lamp. Hours are equivalent hours;
// what cannot be told is NaN.
type Outlook struct {
	// PerDay is the use of its station per calendar day over the last UseDays.
	PerDay float64
	// Remaining is the median of the further life of a lamp that has come as far,
	// a lower bound where AtLeast says so.
	Remaining float64
	AtLeast   bool
	// Fails is the probability to fail within AheadDays of such use, an upper
	// bound where AtLeast says so.
	Fails float64
}

// UseDays is how far back the use of a station is taken, and AheadDays how far
// ahead a failure is foretold, in calendar days.
const (
	UseDays   = 28
	AheadDays = 30
)

// KindLife is what the lamps of one kind tell about its life.
type KindLife struct {
	Kind       plant.LampKind
	Statistics lamplife.Statistics
	Known      bool // false: no lamp of the kind has any hours, and Statistics is empty
	// Change is the age in equivalent hours at which a preventive change costs
	// least, +Inf when waiting for the failure does, NaN without prices; PerHour
	// is what lamps then cost per equivalent hour. OnLowerBound: nothing has
	// failed, so the age stands on the safe side.
	Change, PerHour float64
	OnLowerBound    bool
}

// confidence of the limits that are shown.
const confidence = 0.90

// Read makes the book at an instant.
func Read(ctx context.Context, s Store, p *plant.Plant, now time.Time) (Book, error) {
	b := Book{At: now}
	records, err := Records(ctx, s, p, now)
	if err != nil {
		return b, err
	}
	var area []plant.Register
	for _, r := range p.Registers {
		if r.Station == "" && r.Press != "" && r.Quantity == plant.QuantityArea {
			area = append(area, r)
		}
	}
	counters, err := s.LampCounters(ctx, area)
	if err != nil {
		return b, err
	}
	counted := map[plant.LampSerial]plant.LampCounters{}
	for _, c := range counters {
		counted[c.Lamp] = c
	}
	use, err := readUse(ctx, s, p, now)
	if err != nil {
		return b, err
	}
	for _, r := range records {
		c := counted[r.Lamp.Serial]
		c.Lamp = r.Lamp.Serial
		b.Lamps = append(b.Lamps, Lamp{Record: r, Counters: c, Life: lamplife.Of(r.Kind, c.Total())})
	}
	b.lives(p)
	b.outlooks(use)
	return b, nil
}

// lives asks the lamps of each kind about its life.
func (b *Book) lives(p *plant.Plant) {
	for _, k := range p.LampKinds {
		var lives []survival.Life
		on := false
		for _, l := range b.Lamps {
			if l.Lamp.Kind == k.Name && l.Life.Equivalent > 0 {
				lives = append(lives, survival.Life{Hours: l.Life.Equivalent, Failed: l.Failed()})
			}
			on = on || l.Lamp.Kind == k.Name
		}
		if on {
			b.Kinds = append(b.Kinds, LifeOf(k, lives))
		}
	}
}

// LifeOf tells what lives in equivalent hours say about a kind, with its own prior
// and costs. Lives that are no lives, of 0 hours, must be left out before.
func LifeOf(k plant.LampKind, lives []survival.Life) KindLife {
	out := KindLife{Kind: k, Change: math.NaN(), PerHour: math.NaN()}
	prior := lamplife.ShapePrior()
	if k.LifeShape > 0 {
		prior.Shape = k.LifeShape
	}
	if k.LifeShapeSpread > 0 {
		prior.Spread = k.LifeShapeSpread
	}
	var err error
	if out.Statistics, err = lamplife.Ask(lives, lamplife.Question{Prior: prior, Confidence: confidence}); err != nil {
		return out // nothing has lived yet
	}
	out.Known = true
	if k.Price.Amount.IsPos() {
		out.OnLowerBound = out.Statistics.Failures == 0
		out.Change, out.PerHour = lamplife.CheapestAge(out.Statistics.Life(), lamplife.ChangeCost{
			Lamp: k.Price.Float(), Labour: k.ChangeCost.Float(), Stop: k.StopCost.Float(),
		})
	}
	return out
}

// outlooks adds to each fitted lamp what its kind tells.
func (b *Book) outlooks(use map[plant.StationID]stationUse) {
	for i := range b.Lamps {
		l := &b.Lamps[i]
		l.Outlook = Outlook{PerDay: math.NaN(), Remaining: math.NaN(), Fails: math.NaN()}
		if l.Place != lampledger.Fitted {
			continue
		}
		l.Outlook.PerDay = use[l.Station].perDay(l.Kind)
		k := slices.IndexFunc(b.Kinds, func(k KindLife) bool { return k.Kind.Name == l.Kind.Name })
		if k < 0 || !b.Kinds[k].Known {
			continue
		}
		s := b.Kinds[k].Statistics
		l.Outlook.Remaining = s.Life().RemainingQuantile(l.Life.Equivalent, 0.5)
		l.Outlook.AtLeast = s.Failures == 0
		if l.Outlook.PerDay > 0 {
			l.Outlook.Fails = s.FailsWithin(l.Life.Equivalent, AheadDays*l.Outlook.PerDay)
		}
	}
}

// stationUse is what a station did over some calendar days.
type stationUse struct {
	worn, starts int64
	days         float64
}

// perDay is the use per calendar day in equivalent hours of a kind; 0 for none.
func (u stationUse) perDay(k plant.LampKind) float64 {
	if u.days == 0 {
		return 0
	}
	return lamplife.EquivalentHours(u.worn, u.starts, k.HoursPerStart) / u.days
}

// readUse reads what each station did in the last UseDays, or since the first day
// on which it did anything.
func readUse(ctx context.Context, s Store, p *plant.Plant, now time.Time) (map[plant.StationID]stationUse, error) {
	var regs []plant.RegisterID
	for _, st := range p.Stations() {
		regs = append(regs, p.WearOf(st.ID), plant.RegisterOf(st.ID, plant.ValueStarts))
	}
	amounts, err := s.DayAmounts(ctx, regs, now.AddDate(0, 0, -UseDays), now)
	if err != nil {
		return nil, fmt.Errorf("use of stations: %w", err)
	}
	use := map[plant.StationID]stationUse{}
	for _, a := range amounts { // in order of days
		owner, value := a.Register.Split()
		u := use[plant.StationID(owner)]
		if u.days == 0 {
			u.days = max(1, min(UseDays, now.Sub(a.Day).Hours()/24))
		}
		if value == plant.ValueStarts {
			u.starts += a.Amount
		} else {
			u.worn += a.Amount
		}
		use[plant.StationID(owner)] = u
	}
	return use, nil
}
