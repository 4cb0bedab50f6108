package lampbook

import (
	"context"
	"fmt"
	"time"

	"curetally/internal/core/inference"
	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
)

// Counters gives what different ways of counting say about a station.
type Counters interface {
	AmountBetween(ctx context.Context, reg plant.RegisterID, from, to time.Time) (int64, error)
	PowerHours(ctx context.Context, meter plant.MeterID, q plant.PowerQuestion) (plant.PowerHours, error)
	CounterRun(ctx context.Context, subject, name string, from, to time.Time) (plant.CounterRun, error)
}

// Finding is one thing about lamps that a person should look at.
type Finding struct {
	Kind    string    `json:"kind"`
	Subject string    `json:"subject"`
	Text    string    `json:"text"`
	Remedy  string    `json:"remedy"`
	Since   time.Time `json:"since,omitzero"`
}

// checkDays is how far back counters are compared: long enough for 3 % to be more
// than an hour, short enough that a cause can still be found.
const checkDays = 14

// Check compares the counters of lamps and stations and looks for lamps that are
// not what they should be.
func Check(ctx context.Context, c Counters, p *plant.Plant, b Book) ([]Finding, error) {
	out := kindFindings(p, b)
	for _, st := range p.Stations() {
		if lit, ok := p.FindRegister(plant.RegisterOf(st.ID, plant.ValueLit)); !ok || lit.Curve == plant.FromReadings {
			continue
		}
		over := stretch{b.At.AddDate(0, 0, -checkDays), b.At}
		meterFindings, err := hourMeter(ctx, c, st, over)
		if err != nil {
			return nil, err
		}
		out = append(out, meterFindings...)
		powerFindings, err := power(ctx, c, p, st, over)
		if err != nil {
			return nil, err
		}
		out = append(out, powerFindings...)
	}
	return out, nil
}

// weighedWrongly says that a station weighs the hours of a lamp by the law of another
// kind.
func weighedWrongly(p *plant.Plant, st plant.Station, fitted plant.LampKind) bool {
	configured, ok := p.FindLampKind(st.LampKind)
	return ok && p.WearOf(st.ID) == plant.RegisterOf(st.ID, plant.ValueWear) && configured.Wear != fitted.Wear
}

// kindFindings looks at each fitted lamp: the kind must be known and of the light
// of its station, wear by the law by which that is weighed, and its counter must agree
// with the states.
func kindFindings(p *plant.Plant, b Book) []Finding {
	var out []Finding
	for _, l := range b.Lamps {
		if l.Place != lampledger.Fitted {
			continue
		}
		st, ok := p.FindStation(l.Station)
		if !ok {
			continue // the station left the configuration; its lamp is history
		}
		subject := fmt.Sprintf("%s in %s", l.Lamp.Serial, l.Station)
		light := st.TechnologyAt(b.At)
		switch {
		case l.Kind.Name == "":
			out = append(out, Finding{
				Kind: "unknown lamp kind", Subject: subject, Since: l.Since,
				Text:   fmt.Sprintf("The lamp is of kind %q, which the configuration does not know: it has no rated life.", l.Lamp.Kind),
				Remedy: "Add the kind under lamp_kinds.",
			})
		case l.Kind.Technology != light:
			out = append(out, Finding{
				Kind: "wrong lamp", Subject: subject, Since: l.Since,
				Text:   fmt.Sprintf("The lamp is of technology %s, and the station has %s.", l.Kind.Technology, light),
				Remedy: "Record the change of lamp, or correct technology of the station in the configuration.",
			})
		case weighedWrongly(p, st, l.Kind):
			out = append(out, Finding{
				Kind: "lamp of another kind", Subject: subject, Since: l.Since,
				Text:   fmt.Sprintf("The lamp is of kind %s, and its hours are weighed by the law of %s, which wears otherwise.", l.Kind.Name, st.LampKind),
				Remedy: fmt.Sprintf("Write lamp_kind: %s at the station, or correct the kind of the lamp.", l.Kind.Name),
			})
		}
		counter := lampledger.Exactly("by the station's counter", l.Counters.Lit)
		states := lampledger.Tally{What: "by its states", AtLeast: l.Counters.Seen, AtMost: l.Counters.Seen + l.Counters.Unknown}
		if d, differ := lampledger.Compare(counter, states, l.Counters.First, l.Counters.Last); differ {
			out = append(out, Finding{
				Kind: "counters disagree", Subject: subject, Since: l.Since, Text: "Since it was first fitted the lamp was " + d.String() + ".",
				Remedy: "See in the controller's manual what its counter counts (lit hours, mains-on hours, drive hours), and which states it reports; the counter is what lamp life rests on.",
			})
		}
	}
	return out
}

// hourMeter compares the station's own hour meter with its lit time.
func hourMeter(ctx context.Context, c Counters, st plant.Station, w stretch) ([]Finding, error) {
	if st.HourMeter == "" {
		return nil, nil
	}
	run, err := c.CounterRun(ctx, string(st.ID), st.HourMeter, w.from, w.to)
	if err != nil || run.First.IsZero() {
		return nil, err
	}
	if run.Falls > 0 {
		return []Finding{{
			Kind: "hour meter runs backwards", Subject: string(st.ID), Since: run.Fell,
			Text:   fmt.Sprintf("The hour meter %s fell %s in the last %d days; it is compared with nothing until it rises again.", st.HourMeter, times(run.Falls), checkDays),
			Remedy: "See whether the controller was exchanged or its counter set back. Lit hours and lamp life are counted without it; nothing is lost.",
		}}, nil
	}
	lit, err := c.AmountBetween(ctx, plant.RegisterOf(st.ID, plant.ValueLit), run.First, run.Last)
	if err != nil {
		return nil, err
	}
	meter := lampledger.Exactly("by its hour meter", int64((run.LastValue-run.FirstValue)*float64(time.Hour.Milliseconds())))
	return disagreement(st, meter, counted{lit, run.First, run.Last}, "Hour meters count different things: lamp, drive or mains. See what this one counts; where it counts the lamp, look for lost messages or a wrong state."), nil
}

// stretch is a stretch of time.
type stretch struct{ from, to time.Time }

// power compares the time with power on the station's own meter with its lit
// time. Where several meters feed a station, none of them tells alone.
func power(ctx context.Context, c Counters, p *plant.Plant, st plant.Station, w stretch) ([]Finding, error) {
	var own []plant.Meter
	for _, b := range p.Buses {
		for _, m := range b.Meters {
			if m.Station == st.ID {
				own = append(own, m)
			}
		}
	}
	if len(own) != 1 {
		return nil, nil
	}
	m := own[0]
	h, err := c.PowerHours(ctx, m.ID, plant.PowerQuestion{Watts: inference.LitPower(st, m, w.to), MaxGap: max(2*time.Minute, 3*m.Period), From: w.from, To: w.to})
	if err != nil || h.First.IsZero() || !h.Last.After(h.First) {
		return nil, err
	}
	lit, err := c.AmountBetween(ctx, plant.RegisterOf(st.ID, plant.ValueLit), h.First, h.Last)
	if err != nil {
		return nil, err
	}
	tally := lampledger.Tally{What: fmt.Sprintf("by the power on %s", m.ID), AtLeast: h.On, AtMost: h.On + h.Unseen}
	return disagreement(st, tally, counted{lit, h.First, h.Last}, "See whether the meter feeds this station alone, and whether lit_power of the station in the configuration is a power that it takes only while the lamp burns."), nil
}

// counted is the lit time of a station in a stretch, in milliseconds.
type counted struct {
	lit      int64
	from, to time.Time
}

func disagreement(st plant.Station, other lampledger.Tally, c counted, remedy string) []Finding {
	d, differ := lampledger.Compare(lampledger.Exactly("as counted here", c.lit), other, c.from, c.to)
	if !differ {
		return nil
	}
	return []Finding{{
		Kind: "hours disagree", Subject: string(st.ID), Since: c.from, Text: "The station was " + d.String() + ".", Remedy: remedy,
	}}
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
