package app

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/clock"
	"curetally/internal/link/store"
	"curetally/internal/work/web"
)

// newClock makes the clock by which facts are stamped. It goes on from the newest
// reading of a meter on record, in case the machine's clock was set back while the
// daemon did not run. Other facts have clocks of their own and do not count.
func newClock(ctx context.Context, p *plant.Plant, db *store.DB, log *slog.Logger) (*clock.Steady, error) {
	latest, err := db.LatestReadings(ctx)
	if err != nil {
		return nil, fmt.Errorf("newest readings on record: %w", err)
	}
	var after time.Time
	for _, r := range latest {
		owner, _ := r.Register.Split()
		if _, ok := p.FindMeter(plant.MeterID(owner)); ok && r.At.After(after) {
			after = r.At
		}
	}
	return clock.New(clock.Machine(), after, log), nil
}

// notableClock is from when on a person should know of a clock that was set back.
const notableClock = 5 * time.Second

// wrongClocks lists the clocks that are wrong: the machine's, and those of stations.
func wrongClocks(limit, ahead time.Duration, stations []plant.StationClock) []web.Finding {
	var out []web.Finding
	if ahead > notableClock {
		out = append(out, web.Finding{
			Kind: "wrong clock", Subject: "this machine",
			Text: fmt.Sprintf("Its clock was set back. Facts are stamped %v ahead of it, by a clock that runs a little slower until both agree; amounts stay exact.",
				ahead.Round(time.Second)),
			Remedy: "Check the time service of the machine.",
		})
	}
	for _, c := range stations {
		f := web.Finding{Kind: "wrong clock", Subject: string(c.Station)}
		switch {
		case c.Distrusted:
			f.Text = fmt.Sprintf("The clock of its device is more than %v ahead, was never set, or was set back; the arrival of its messages counts instead.", limit)
			f.Remedy = "Set the clock of the device; a device that sends local time must say its offset."
		case c.Behind > limit:
			f.Text = fmt.Sprintf("Its messages are at least %v old when they arrive: the clock of its device is slow, or they are stored on the way. Its states are matched with energy of another time.",
				c.Behind.Round(time.Second))
			f.Remedy = "Set the clock of the device; a device that sends local time must say its offset."
		default:
			continue
		}
		out = append(out, f)
	}
	return out
}
