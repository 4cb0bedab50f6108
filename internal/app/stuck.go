package app

import (
	"context"
	"fmt"
	"time"

	"curetally/internal/core/ledger"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
	"curetally/internal/core/validation"
	"curetally/internal/work/settle"
	"curetally/internal/work/web"
)

// Pace and reach of the search for registers that stand while power flows.
const (
	stuckPace  = time.Minute
	leastStuck = 30 * time.Minute // a register must have stood
	mostStuck  = 24 * time.Hour
)

// stuckRegister is a register that stands while power flows.
type stuckRegister struct {
	register plant.RegisterID
	value    int64 // as the meter shows it
	since    time.Time
	energy   int64 // that its power samples give since then, mWh
}

// standing is what the search needs of the store.
type standing interface {
	Standing(ctx context.Context, least map[plant.RegisterID]time.Duration) ([][2]plant.Reading, error)
	LatestSignals(ctx context.Context) ([]plant.Signal, error)
	Samples(ctx context.Context, meter plant.MeterID, atMost float64, from, to time.Time) ([]plant.Signal, error)
}

// stuckTime is how long a register has to stand before it is looked at: until a
// tenth of the rated power makes ten of its steps, within bounds.
func stuckTime(r plant.Rules) time.Duration {
	if r.MaxPerHour <= 0 {
		return leastStuck
	}
	hours := 100 * float64(r.Slack) / float64(r.MaxPerHour)
	return time.Duration(min(max(hours, leastStuck.Hours()), mostStuck.Hours()) * float64(time.Hour))
}

// stuck finds the registers that stand while the samples of their meter's power
// make many of their steps. A meter that is silent is another matter. Samples are
// read only where the newest shows power, so that a plant at rest costs no more than
// one at work.
func stuck(ctx context.Context, s standing, p *plant.Plant, now time.Time) ([]stuckRegister, error) {
	least := map[plant.RegisterID]time.Duration{}
	for _, r := range p.Registers {
		if r.Curve == plant.FromReadings && settle.Powered(p, r) {
			least[r.ID] = stuckTime(r.Rules)
		}
	}
	stand, err := s.Standing(ctx, least)
	if err != nil || len(stand) == 0 {
		return nil, err
	}
	signals, err := s.LatestSignals(ctx)
	if err != nil {
		return nil, err
	}
	watts := map[string]float64{}
	for _, v := range signals {
		if v.Name == plant.SignalPower {
			watts[v.Subject] = v.Value
		}
	}
	var out []stuckRegister
	for _, pair := range stand {
		from, to := pair[0], pair[1]
		reg, _ := p.FindRegister(from.Register)
		meter, _ := reg.ID.Split()
		if watts[meter] <= 0 || now.Sub(to.At) > reg.Rules.MaxGap {
			continue
		}
		samples, err := s.Samples(ctx, plant.MeterID(meter), 1.1*float64(reg.Rules.MaxPerHour)/1000, from.At, to.At)
		if err != nil {
			return nil, err
		}
		resolution := ledger.Resolution(reg.Rules, ledger.Primary(reg.Rules, to.Value, to.At))
		for _, x := range validation.Standstills(ledger.Curve{{From: from.At, To: to.At}}, samples, resolution, reg.Rules.MaxGap) {
			out = append(out, stuckRegister{reg.ID, to.Value, x.From, x.Energy})
		}
	}
	return out, nil
}

// finding says what is wrong with the register.
func (s stuckRegister) finding() web.Finding {
	return web.Finding{
		Kind: "stuck register", Subject: string(s.register), Since: s.since,
		Text: fmt.Sprintf("The register stands at %s while the power samples of its meter make %s since then: what is used now is not counted.",
			unit.Energy(s.value), unit.Energy(s.energy)),
		Remedy: validation.StuckRemedy,
	}
}
