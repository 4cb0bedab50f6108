package lampbook

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/lamplife"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// OutputFacts gives what the output of lamps is judged by.
type OutputFacts interface {
	OutputReadings(ctx context.Context, st plant.StationID) ([]plant.OutputReading, error)
	DailyHighs(ctx context.Context, subject, name string, since time.Time) ([]plant.Signal, error)
	LampHours(ctx context.Context, lamp plant.LampSerial) ([]plant.HourAmount, error)
	TaskHistory(ctx context.Context, rule plant.RuleID, subject string) ([]plant.TaskAct, error)
}

// Output is how the output of a fitted lamp falls, by the readings since it was
// fitted where it is: another station has another lens.
type Output struct {
	Lamp   Lamp
	Source string // in words: the sensor, or the instrument
	// Readings were taken; LeftOut more are of other instruments, which must not be
	// compared with them.
	Readings, LeftOut int
	// Taken are the readings by lit hours of the lamp, at full drive.
	Taken []lamplife.Reading
	Watch lamplife.OutputWatch
	// Missing says why there is no Watch; empty when there is.
	Missing string
}

// Said is what the readings tell, in a sentence.
func (o Output) Said() string {
	d := o.Watch.Decline
	switch {
	case o.Missing != "":
		return o.Missing
	case !d.Separated:
		return fmt.Sprintf("%s between readings: ageing and dirt cannot be told apart until there are two", cleanings(d.Cleanings))
	case o.Watch.CleaningDue:
		return fmt.Sprintf("clean the lens: dirt takes %.1f %%", 100*o.Watch.Recoverable)
	case o.Watch.CleaningCapped:
		return fmt.Sprintf("dirt takes %.1f %%; it does not reach the limit as far as can be foretold", 100*o.Watch.Recoverable)
	}
	return fmt.Sprintf("dirt takes %.1f %%; clean in %s lit hours", 100*o.Watch.Recoverable, unit.Group(o.Watch.CleaningAt-o.Watch.Age, 0))
}

func cleanings(n int) string {
	switch n {
	case 0:
		return "no cleaning"
	case 1:
		return "one cleaning"
	}
	return fmt.Sprintf("%d cleanings", n)
}

// Outputs tells of each fitted lamp that has any reading of its output.
func Outputs(ctx context.Context, f OutputFacts, p *plant.Plant, b Book) ([]Output, error) {
	var out []Output
	for _, l := range b.Lamps {
		st, ok := p.FindStation(l.Station)
		if l.Place != lampledger.Fitted || !ok {
			continue
		}
		o := Output{Lamp: l}
		taken, err := o.take(ctx, f, st)
		if err != nil {
			return nil, fmt.Errorf("output of %s: %w", st.ID, err)
		}
		if len(taken) == 0 {
			continue
		}
		if err := o.judge(ctx, f, taken); err != nil {
			return nil, fmt.Errorf("output of %s: %w", st.ID, err)
		}
		out = append(out, o)
	}
	return out, nil
}

// take gives the readings since the fitting that can be compared: those of the
// sensor, else of the instrument that was used most.
func (o *Output) take(ctx context.Context, f OutputFacts, st plant.Station) ([]plant.OutputReading, error) {
	if st.IrradianceSensor != "" {
		days, err := f.DailyHighs(ctx, string(st.ID), st.IrradianceSensor, o.Lamp.Since)
		if err != nil {
			return nil, err
		}
		var taken []plant.OutputReading
		for _, d := range days {
			taken = append(taken, plant.OutputReading{At: d.At, Irradiance: d.Value, Drive: 1})
		}
		if len(taken) > 0 {
			o.Source, o.Readings = "sensor "+st.IrradianceSensor, len(taken)
			return taken, nil
		}
	}
	all, err := f.OutputReadings(ctx, st.ID)
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(r plant.OutputReading) bool { return r.At.Before(o.Lamp.Since) })
	count := map[string]int{}
	for _, r := range all {
		count[r.Instrument]++
	}
	most := ""
	for _, r := range all {
		if count[r.Instrument] > count[most] {
			most = r.Instrument
		}
	}
	taken := slices.DeleteFunc(slices.Clone(all), func(r plant.OutputReading) bool { return r.Instrument != most })
	o.Source, o.Readings, o.LeftOut = cmp.Or(most, "by hand"), len(taken), len(all)-len(taken)
	return taken, nil
}

// judge fits the decline to readings in order of time.
func (o *Output) judge(ctx context.Context, f OutputFacts, taken []plant.OutputReading) error {
	lit, err := f.LampHours(ctx, o.Lamp.Lamp.Serial)
	if err != nil {
		return err
	}
	var readings []lamplife.Reading
	for _, r := range taken {
		readings = append(readings, lamplife.Reading{Hours: hoursAt(lit, r.At), Output: r.Irradiance / r.Drive, Cleaned: r.Cleaned})
	}
	o.Taken = readings
	var cleanings []float64
	for _, rule := range o.Lamp.Kind.CleanedBy {
		acts, err := f.TaskHistory(ctx, rule, string(o.Lamp.Station))
		if err != nil {
			return err
		}
		for _, a := range acts {
			if a.Kind == plant.TaskDone && !a.At.Before(o.Lamp.Since) {
				cleanings = append(cleanings, hoursAt(lit, a.At))
			}
		}
	}
	age := max(unit.HoursFromMillis(o.Lamp.Counters.Lit), readings[len(readings)-1].Hours)
	o.Watch, err = lamplife.Watch(readings, cleanings, age, lamplife.Allowed{
		Dirt: o.Lamp.Kind.DirtLimit, Threshold: o.Lamp.Kind.OutputThreshold, Confidence: confidence,
	})
	if errors.Is(err, lamplife.ErrFewReadings) {
		o.Missing = err.Error()
		return nil
	}
	return err
}

// hoursAt is the lit hours that a lamp had at an instant; within a clock hour its
// light is taken as even.
func hoursAt(lit []plant.HourAmount, at time.Time) float64 {
	var sum float64
	for _, h := range lit {
		if !h.Start.Before(at) {
			break
		}
		sum += unit.HoursFromMillis(h.Amount) * min(1, at.Sub(h.Start).Hours())
	}
	return sum
}

// outputFindings are the lenses that are due.
func outputFindings(outputs []Output) []Finding {
	var found []Finding
	for _, o := range outputs {
		if o.Watch.CleaningDue {
			found = append(found, Finding{
				Kind: "dirty lens", Subject: string(o.Lamp.Station), Text: fmt.Sprintf("Dirt takes %.1f %% of the output, more than the %.0f %% that are allowed.", 100*o.Watch.Recoverable, 100*o.Lamp.Kind.DirtLimit),
				Remedy: "Clean the lens with the lamp off, isolated and cool, and record it with curetally done.",
			})
		}
	}
	return found
}
