package config

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/profiles"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/config/topics"
)

// registers lists what accumulates: energy of meters in the order of the file,
// then lit time, starts and time in state of stations, then counters of presses.
func (b *builder) registers() {
	for _, m := range b.meters {
		registered := false
		for _, v := range m.Profile.Values {
			if v.Cumulative {
				b.plant.Registers = append(b.plant.Registers, b.energyRegister(m, v))
				registered = true
			}
		}
		if !registered && slices.ContainsFunc(m.Profile.Values, samplesPower) {
			b.plant.Registers = append(b.plant.Registers, plant.Register{
				ID: plant.RegisterOf(m.ID, plant.ValueSampled), Quantity: plant.QuantityEnergy, Station: m.Station, Press: m.Press, Curve: plant.FromPower,
				Rules: plant.Rules{MaxPerHour: int64(m.MaxPower * 1000), MaxGap: m.MaxGap},
			})
		}
	}
	for _, m := range b.meters {
		b.checkedBy(m)
	}
	for _, s := range b.plant.Stations() {
		b.plant.Registers = append(b.plant.Registers, stationRegisters(s)...)
	}
	for i, t := range b.plant.Topics {
		for _, name := range slices.Sorted(maps.Keys(t.Counters)) {
			b.pressRegisters(fmt.Sprintf("topics[%d].counters.%s", i, name), t, name, b.in.Topics[i].Counters[name])
		}
	}
}

// checkedBy notes the register of a meter's check meter on the meter's own, where
// the name of the meter alone stands for a register.
func (b *builder) checkedBy(m metered) {
	if m.check == "" {
		return
	}
	at := m.path + ".check_meter"
	i := slices.IndexFunc(b.meters, func(o metered) bool { return o.ID == m.check })
	if i < 0 {
		var names []string
		for _, o := range b.meters {
			names = append(names, string(o.ID))
		}
		b.reportf(at, strictyaml.Suggest(string(m.check), names, "list it under meters"), "unknown meter %q", m.check)
		return
	}
	own, okOwn := importRegister(m)
	check, okCheck := importRegister(b.meters[i])
	switch {
	case m.check == m.ID:
		b.report(at, "the meter is its own check meter", "name the second meter of the same load")
	case !okOwn || !okCheck:
		b.report(at, "one of the two has no register import, nor a single energy register", "choose a check meter that counts the same energy, or remove it")
	}
	for r := range b.plant.Registers {
		if okOwn && b.plant.Registers[r].ID == own {
			b.plant.Registers[r].Check = check
		}
	}
}

// energyRegister gives the register of a meter's cumulative value. Its slack is
// its resolution, and a fall of up to two resolutions is taken for noise unless
// the meter says otherwise.
func (b *builder) energyRegister(m metered, v plant.ProfileValue) plant.Register {
	greatest := 1.0
	for i, r := range m.Ratios {
		if ratio := float64(r.Num) / float64(r.Den); i == 0 || ratio > greatest {
			greatest = ratio
		}
	}
	limits, err := profiles.LimitsOf(v, greatest, m.MaxPower)
	if err != nil {
		b.reportf(m.path+".profile", "correct the scale or modulus of the profile", "value %s: %v", v.Name, err)
	}
	if m.resolution > 0 {
		limits.Resolution = m.resolution
	}
	backstep := m.backstep
	if backstep < 0 {
		backstep = 2 * limits.Resolution
	}
	b.setBackstep(m.ID, backstep)
	total := slices.ContainsFunc(m.Profile.Values, func(o plant.ProfileValue) bool { return o.Cumulative && o.Name == plant.ValueImport })
	return plant.Register{
		ID: plant.RegisterOf(m.ID, v.Name), Quantity: plant.QuantityEnergy, Station: m.Station, Press: m.Press, Curve: plant.FromReadings,
		Part: total && v.Name != plant.ValueImport || strings.HasPrefix(v.Name, plant.ValueExport),
		Rules: plant.Rules{
			Modulus: limits.Modulus, Net: v.Net, FloatBits: limits.FloatBits, Ratios: m.Ratios, MaxPerHour: int64(m.MaxPower * 1000),
			Slack: limits.Resolution, Backstep: backstep, MaxGap: m.MaxGap,
		},
	}
}

// setBackstep notes on the meter itself what its registers use.
func (b *builder) setBackstep(id plant.MeterID, backstep int64) {
	for i := range b.plant.Buses {
		for j := range b.plant.Buses[i].Meters {
			if b.plant.Buses[i].Meters[j].ID == id {
				b.plant.Buses[i].Meters[j].Backstep = max(b.plant.Buses[i].Meters[j].Backstep, backstep)
			}
		}
	}
}

// stationRegisters gives the three registers of a station. A station counter may
// be in whole seconds, so lit time has two seconds of slack.
func stationRegisters(s plant.Station) []plant.Register {
	curve := plant.FromEvents
	if s.Uncounted {
		curve = plant.FromTimeline
	}
	register := func(value string, quantity plant.Quantity, curve plant.CurveSource, rules plant.Rules) plant.Register {
		return plant.Register{ID: plant.RegisterOf(s.ID, value), Quantity: quantity, Station: s.ID, Press: s.Press, Curve: curve, Rules: rules}
	}
	const secondsPerHour, millisPerHour, wholeSeconds = 3600, 3_600_000, 2000
	return []plant.Register{
		register(plant.ValueLit, plant.QuantityTime, curve, plant.Rules{MaxPerHour: millisPerHour, Slack: wholeSeconds, Backstep: wholeSeconds, MaxGap: defaultMaxGap}),
		register(plant.ValueStarts, plant.QuantityCount, curve, plant.Rules{MaxPerHour: secondsPerHour, Slack: 1, MaxGap: defaultMaxGap}),
		register(plant.ValueTime, plant.QuantityTime, plant.FromTimeline, plant.Rules{}),
	}
}

// wear adds the register of weighed lit time to each station that offers a signal
// by which the kind of its lamp wears.
func (b *builder) wear() {
	for i, press := range b.plant.Presses {
		for j, st := range press.Stations {
			if st.DriveSignal == "" && st.TemperatureSignal == "" {
				continue
			}
			at := fmt.Sprintf("presses[%d].stations[%d]", i, j)
			kind, ok := b.plant.FindLampKind(st.LampKind)
			if !ok {
				continue // reported with lamp_kind
			}
			wear := b.wearOf(at, st, kind)
			for _, r := range stationRegisters(st) {
				if r.ID == plant.RegisterOf(st.ID, plant.ValueLit) {
					r.ID, r.Wear = plant.RegisterOf(st.ID, plant.ValueWear), &wear
					b.plant.Registers = append(b.plant.Registers, r)
				}
			}
		}
	}
}

// wearOf is how a station's hours are weighed: the part of the law of its lamp kind
// for which the station offers a signal.
func (b *builder) wearOf(at string, st plant.Station, kind plant.LampKind) plant.Wear {
	w := plant.Wear{Law: kind.Wear, Technology: kind.Technology, Drive: st.DriveSignal, Temperature: st.TemperatureSignal, Hold: defaultMaxGap}
	if st.DriveSignal == "" {
		w.Law.DriveExponent = 0
	} else if !w.Law.ByDrive() {
		b.reportf(at+".drive_signal", fmt.Sprintf("give lamp kind %s wear: {drive_exponent: 1.3}, or remove the key", kind.Name), "lamp kind %s does not wear by drive", kind.Name)
	}
	if st.TemperatureSignal == "" {
		w.Law.HalvesPerKelvin, w.Law.ActivationEnergy = 0, 0
	} else if !w.Law.ByTemperature() {
		b.reportf(at+".temperature_signal", fmt.Sprintf("give lamp kind %s wear: {halves_per_kelvin: 10}, or remove the key", kind.Name), "lamp kind %s does not wear by temperature", kind.Name)
	}
	return w
}

// pressRegisters gives the register of one counter for each press that the topic
// can name. Two counters of one quantity on one press would count twice.
func (b *builder) pressRegisters(path string, t plant.Topic, name string, spec topics.Counter) {
	quantity := t.Counters[name].Quantity
	for _, p := range b.plant.Presses {
		if !topics.Matches(t.Press, string(p.ID)) {
			continue
		}
		for _, r := range b.plant.Registers {
			switch {
			case r.ID == plant.RegisterOf(p.ID, name):
				b.reportf(path, "give each counter of a press its own name", "press %s already has a counter %s", p.ID, name)
			case r.Press == p.ID && r.Quantity == quantity && r.Station == "":
				b.reportf(path, "keep one counter per quantity and press", "press %s already counts %s as %s", p.ID, quantity, r.ID)
			}
		}
		b.plant.Registers = append(b.plant.Registers, plant.Register{
			ID: plant.RegisterOf(p.ID, name), Quantity: quantity, Press: p.ID, Curve: plant.FromReadings,
			Rules: spec.Rules(t.Counters[name], defaultMaxGap),
		})
	}
}
