package hvac

import "math"

// Value is an input with its standard uncertainty, in its unit.
type Value struct{ Value, Standard float64 }

// Estimate is an effect with its standard uncertainty. Positive is saved.
type Estimate struct{ KWh, StandardKWh float64 }

// relative is the square of the relative standard uncertainty.
func (v Value) relative() float64 {
	if v.Value == 0 {
		return 0
	}
	return (v.Standard / v.Value) * (v.Standard / v.Value)
}

// product makes an estimate of a product of inputs to the power of 1 or −1, which are
// independent of each other. Source: JCGM 100:2008, equation 12.
func product(kwh float64, inputs ...Value) Estimate {
	var sum float64
	for _, v := range inputs {
		sum += v.relative()
	}
	return Estimate{kwh, math.Abs(kwh) * math.Sqrt(sum)}
}

// Room is how the hall of the press is cooled and heated.
type Room struct {
	// Heat is the heat that no longer reaches the room, kWh: what it took from the
	// lamps before, less what it takes now. Of the energy saved, the part that
	// exhaust or water carried outdoors is not in it.
	Heat Value
	// Cooled is the share of it that falls in hours in which cooling runs, Heated in
	// which heating does; 0 to 1.
	Cooled, Heated Value
	// COP of the cooling; 0 for a room without.
	COP Value
	// Heating is the efficiency of a boiler, 1 for resistance heating, or the
	// coefficient of performance of a heat pump; 0 for a room without.
	Heating Value
}

// CoolingAvoided is the electricity that cooling no longer uses.
func (r Room) CoolingAvoided() Estimate {
	if r.COP.Value <= 0 {
		return Estimate{}
	}
	return product(r.Heat.Value*r.Cooled.Value/r.COP.Value, r.Heat, r.Cooled, r.COP)
}

// HeatingPenalty is the fuel or electricity that heating uses in the place of the
// lamps' heat; not below 0 but for a system that gives the room more heat than
// before.
func (r Room) HeatingPenalty() Estimate {
	if r.Heating.Value <= 0 {
		return Estimate{}
	}
	return product(r.Heat.Value*r.Heated.Value/r.Heating.Value, r.Heat, r.Heated, r.Heating)
}

// WasteHeatFactor is what a saved kilowatt-hour is worth in electricity with its
// cooling: 1 + share in the room × share while cooling runs / COP.
func WasteHeatFactor(inRoom, whileCooling, cop float64) float64 { return 1 + inRoom*whileCooling/cop }

// Hour is the outdoor air of one hour, or of several hours alike (a bin).
type Hour struct {
	Air   Air
	Hours float64
}

// MakeUp is outdoor air that had to be conditioned because exhaust took as much away.
type MakeUp struct {
	Flow    Value   // m³/s that is no longer taken away
	Height  float64 // of the site above the sea, m
	Balance float64 // °C below which the building is heated
	Indoors Air     // that cooling holds
	COP     Value   // of the cooling; 0 for a room without
	Heating Value   // efficiency of the heating; 0 for a room without
	// Weather is the relative standard uncertainty of how far the hours stand for the
	// period.
	Weather float64
}

// HeatKWh is the heat that the air took to be warmed to the balance temperature.
func (m MakeUp) HeatKWh(hours []Hour) float64 {
	var sum float64
	for _, h := range hours {
		sum += SensibleKW(m.Flow.Value, math.Max(m.Balance-h.Air.Celsius, 0), m.Height) * h.Hours
	}
	return sum
}

// HeatingAvoided is the fuel or electricity that heating this air no longer uses.
func (m MakeUp) HeatingAvoided(hours []Hour) Estimate {
	if m.Heating.Value <= 0 {
		return Estimate{}
	}
	return product(m.HeatKWh(hours)/m.Heating.Value, m.Flow, m.Heating, Value{1, m.Weather})
}

// CoolingAvoided is the electricity that cooling this air no longer uses.
func (m MakeUp) CoolingAvoided(hours []Hour) Estimate {
	if m.COP.Value <= 0 {
		return Estimate{}
	}
	var sum float64
	for _, h := range hours {
		sum += math.Max(TotalKW(m.Flow.Value, h.Air, m.Indoors, m.Height), 0) * h.Hours
	}
	return product(sum/m.COP.Value, m.Flow, m.COP, Value{1, m.Weather})
}

// HeatFromDegreeDays is the heat of a flow over heating degree days in kelvin days,
// of which the schedule is the share of time that the flow runs.
func HeatFromDegreeDays(flow, kelvinDays, schedule, height float64) float64 {
	return 24 * SensibleKW(flow, 1, height) * kelvinDays * schedule
}

// Fan is a fan that turns slower, or no more.
type Fan struct {
	KW    Value // power before, at the supply
	Share Value // flow now as a share of that before, 0 to 1
	// Exponent of power over flow: 3 in an unchanged system, about 2.0 to 2.7 where a
	// static pressure is held (From memory: usual engineering practice).
	Exponent float64
	Hours    Value
}

// PowerKW is the power at the share of the flow.
func (f Fan) PowerKW() float64 { return f.KW.Value * math.Pow(f.Share.Value, f.Exponent) }

// Saved is the energy that the fan no longer uses.
func (f Fan) Saved() Estimate {
	kw := f.KW.Value - f.PowerKW()
	e := product(kw*f.Hours.Value, f.KW, f.Hours)
	// The share enters by the slope of the power over it.
	slope := f.KW.Value * f.Exponent * math.Pow(f.Share.Value, f.Exponent-1)
	if f.Share.Value == 0 {
		slope = 0
	}
	e.StandardKWh = math.Hypot(e.StandardKWh, slope*f.Share.Standard*f.Hours.Value)
	return e
}

// FanPower is FanKW of inputs that carry their uncertainty.
func FanPower(flow, pressure, fan, motor Value) Value {
	e := product(FanKW(flow.Value, pressure.Value, fan.Value, motor.Value), flow, pressure, fan, motor)
	return Value{e.KWh, e.StandardKWh}
}

// FanKW is the power at the supply of a fan that moves a flow in m³/s against a
// pressure in Pa.
func FanKW(flow, pressure, fan, motor float64) float64 { return flow * pressure / (fan * motor) / 1000 }
