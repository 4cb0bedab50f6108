package config

import (
	"fmt"
	"maps"
	"net"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/profiles"
	"curetally/internal/link/config/strictyaml"
)

// metered is a meter with its place in the file.
type metered struct {
	plant.Meter
	path       string
	resolution int64 // mWh; 0 follows from the profile
	backstep   int64 // mWh; negative follows from the resolution
	check      plant.MeterID
}

// readProfiles gathers the ready-made profiles and the plant's own, which may
// not take a ready-made name.
func (b *builder) readProfiles() {
	b.profiles = map[string]plant.Profile{}
	for _, p := range profiles.Ready() {
		b.profiles[p.Name] = p
	}
	for i, spec := range b.in.Profiles {
		at := fmt.Sprintf("profiles[%d]", i)
		var p plant.Profile
		if spec.File != "" {
			if spec.Name != "" || spec.Values != nil {
				b.report(at, "names a file and has contents of its own", "keep one of the two")
			}
			p = b.profileFile(at+".file", spec.File)
		} else {
			p = spec.Profile(b.doc, at)
		}
		if _, taken := b.profiles[p.Name]; taken && p.Name != "" {
			b.reportf(at+".name", "choose another name", "there is already a profile %q", p.Name)
			continue
		}
		b.profiles[p.Name] = p
	}
}

func (b *builder) profileFile(at, name string) plant.Profile {
	data, err := readFile(b.path(name))
	if err != nil {
		b.unreadable(at, err)
		return plant.Profile{}
	}
	p, problems := profiles.Read(filepath.Join(b.folder, name), data)
	b.doc.Adopt(problems)
	return p
}

// buses reads declared buses, then meters with the buses they imply.
func (b *builder) buses() {
	urls := map[string]string{}
	for i, s := range b.in.Buses {
		at := fmt.Sprintf("buses[%d]", i)
		if err := plant.ValidName(s.Name); err != nil {
			b.report(at+".name", err.Error(), "choose another name for the bus")
		}
		if slices.ContainsFunc(b.plant.Buses, func(o plant.Bus) bool { return string(o.ID) == s.Name }) {
			b.reportf(at+".name", "give each bus its own name", "there are two buses %q", s.Name)
		}
		bus := b.bus(at, s)
		if first, taken := urls[bus.URL]; taken && bus.URL != "" {
			b.reportf(at+".url", "put all meters of one endpoint on one bus", "the endpoint is already bus %s", first)
		}
		urls[bus.URL] = s.Name
		b.plant.Buses = append(b.plant.Buses, bus)
	}
	if len(b.in.Meters) == 0 {
		b.report("meters", "the plant has no meter", "list at least one meter")
	}
	for i, s := range b.in.Meters {
		b.meter(fmt.Sprintf("meters[%d]", i), s)
	}
	for i := range b.plant.Buses {
		for _, m := range b.meters {
			if m.Bus == b.plant.Buses[i].ID {
				b.plant.Buses[i].Meters = append(b.plant.Buses[i].Meters, m.Meter)
			}
		}
		if i < len(b.in.Buses) && len(b.plant.Buses[i].Meters) == 0 {
			b.report(fmt.Sprintf("buses[%d]", i), "no meter is on this bus", "give a meter bus: "+string(b.plant.Buses[i].ID)+", or remove the bus")
		}
	}
}

// bus checks an endpoint. Defaults of the line are those of the Modbus
// specification. Source: MODBUS over Serial Line V1.02, 2.2 and 2.5.1 (19200
// baud, even parity, 8 data bits; one stop bit with parity).
func (b *builder) bus(at string, s busSpec) plant.Bus {
	bus := plant.Bus{ID: plant.BusID(s.Name), Speed: 19200, DataBits: 8, Parity: "even", StopBits: 1, Timeout: s.Timeout, Quiet: s.Timeout}
	var scheme string
	bus.URL, scheme = b.endpoint(at+".url", s.URL)
	if s.Quiet != nil {
		bus.Quiet = *s.Quiet
	}
	if bus.Timeout <= 0 || bus.Timeout > time.Minute {
		b.report(at+".timeout", "not between 0 and 1m", "write how long to wait for an answer, for example 1s")
	}
	if bus.Quiet < 0 || bus.Quiet > time.Minute {
		b.report(at+".quiet", "not between 0 and 1m", "write how long the line rests after an error, for example 1s")
	}
	line := map[string]bool{"speed": s.Speed != nil, "parity": s.Parity != nil, "data_bits": s.DataBits != nil, "stop_bits": s.StopBits != nil}
	for _, key := range slices.Sorted(maps.Keys(line)) {
		if line[key] && (scheme == "tcp" || scheme == "rtuovertcp" && key != "speed") {
			b.reportf(at+"."+key, "remove it, or use rtu:///dev/… for a serial port", "has no meaning with %s", scheme)
		}
	}
	if s.Speed != nil {
		bus.Speed = *s.Speed
		if bus.Speed < 300 || bus.Speed > 1_000_000 {
			b.reportf(at+".speed", "write the baud rate of the line, for example 9600", "a speed of %d baud", bus.Speed)
		}
	}
	if s.Parity != nil {
		bus.Parity = *s.Parity
		if !slices.Contains([]string{"none", "even", "odd"}, bus.Parity) {
			b.reportf(at+".parity", "expected none, even or odd", "unknown parity %q", bus.Parity)
		}
	}
	if s.DataBits != nil {
		bus.DataBits = *s.DataBits
		if bus.DataBits != 7 && bus.DataBits != 8 {
			b.reportf(at+".data_bits", "expected 7 or 8", "%d data bits", bus.DataBits)
		}
	}
	if s.StopBits != nil {
		bus.StopBits = *s.StopBits
		if bus.StopBits != 1 && bus.StopBits != 2 {
			b.reportf(at+".stop_bits", "expected 1 or 2", "%d stop bits", bus.StopBits)
		}
	}
	return bus
}

// endpoint checks a Modbus URL and completes a missing port; empty after a
// problem.
func (b *builder) endpoint(path, raw string) (full, scheme string) {
	const remedy = "write tcp://host:502, rtuovertcp://host:4001 or rtu:///dev/ttyUSB0"
	u, err := url.Parse(raw)
	if err != nil {
		b.report(path, "not a URL", remedy)
		return "", ""
	}
	switch {
	case u.User != nil || u.RawQuery != "" || u.Fragment != "" || u.Opaque != "":
		b.report(path, "has parts that a Modbus endpoint cannot have", remedy)
	case u.Scheme == "rtu":
		if u.Host != "" || len(u.Path) < 2 {
			b.report(path, "does not name a serial port by its whole path", remedy)
			return "", u.Scheme
		}
		return "rtu://" + u.Path, u.Scheme
	case u.Scheme == "tcp" || u.Scheme == "rtuovertcp":
		port := u.Port()
		if port == "" {
			port = "502"
		}
		if n, err := strconv.Atoi(port); u.Hostname() == "" || strings.Trim(u.Path, "/") != "" || err != nil || n < 1 || n > 65535 {
			b.report(path, "does not name a host and port", remedy)
			return "", u.Scheme
		}
		return u.Scheme + "://" + net.JoinHostPort(u.Hostname(), port), u.Scheme
	default:
		b.reportf(path, remedy, "unknown scheme %q", u.Scheme)
	}
	return "", u.Scheme
}

// meterBus finds or makes the bus of a meter. Meters that give the same url share
// the bus, named after the first of them.
func (b *builder) meterBus(at string, s meterSpec) (plant.Bus, bool) {
	if (s.Bus == "") == (s.URL == "") {
		b.report(at, "expected either a bus or a url of its own", "write bus: NAME of a declared bus, or url: tcp://host:502")
		return plant.Bus{}, false
	}
	declared := len(b.in.Buses)
	if s.Bus != "" {
		var names []string
		for _, bus := range b.plant.Buses[:declared] {
			if string(bus.ID) == s.Bus {
				return bus, true
			}
			names = append(names, string(bus.ID))
		}
		b.reportf(at+".bus", strictyaml.Suggest(s.Bus, names, "declare it under buses, or give the meter a url"), "unknown bus %q", s.Bus)
		return plant.Bus{}, false
	}
	spec := busSpec{Name: s.Name, URL: s.URL}
	spec.SetDefaults()
	bus := b.bus(at, spec)
	for i, o := range b.plant.Buses {
		if o.URL == bus.URL && bus.URL != "" {
			if i < declared {
				b.reportf(at+".url", "write bus: "+string(o.ID)+" instead", "the endpoint is already bus %s", o.ID)
			}
			return o, true
		}
		if o.ID == bus.ID && i < declared {
			b.reportf(at+".name", "rename the meter or the bus", "the meter has a url of its own and the name of bus %s", o.ID)
			return o, false
		}
	}
	b.plant.Buses = append(b.plant.Buses, bus)
	return bus, bus.URL != ""
}

// meter checks one meter.
func (b *builder) meter(at string, s meterSpec) {
	b.own(at+".name", s.Name, "meter")
	m := metered{path: at, resolution: int64(s.Resolution), backstep: -1, check: plant.MeterID(s.CheckMeter), Meter: plant.Meter{
		ID: plant.MeterID(s.Name), Unit: s.Unit, Period: s.Period, Retries: s.Retries,
		MaxPower: float64(s.MaxPower), MaxGap: s.MaxGap, Station: plant.StationID(s.Station), Press: plant.PressID(s.Press),
	}}
	m.Ratios, m.Multiplier = b.ratios(at+".multiplier", s.Multiplier)
	m.Accuracy = b.accuracy(at+".accuracy", s.Accuracy)
	if s.Backstep != nil {
		m.backstep = int64(*s.Backstep)
	}
	bus, ok := b.meterBus(at, s)
	m.Bus = bus.ID
	if ok {
		b.checkBusPlace(m, bus)
	}
	profile, known := b.profiles[s.Profile]
	if !known {
		b.reportf(at+".profile", strictyaml.Suggest(s.Profile, slices.Sorted(maps.Keys(b.profiles)), ""), "unknown profile %q", s.Profile)
	}
	var err error
	if m.Profile, err = profiles.Shift(profile, s.AddressOffset); err != nil {
		b.report(at+".address_offset", err.Error(), "correct the offset; it is added to every address of the profile")
	}
	if known && !slices.ContainsFunc(profile.Values, func(v plant.ProfileValue) bool { return v.Cumulative || samplesPower(v) }) {
		b.reportf(at+".profile", "choose a profile with an energy register, or at least with a value power in W or kW", "profile %s has neither an energy register nor power", s.Profile)
	}
	b.checkMeter(at, s)
	if st, found := b.plant.FindStation(m.Station); found {
		m.Press = st.Press
	}
	b.meters = append(b.meters, m)
}

// ratios reads the factors of a meter's transformers by date, and gives also the
// one in force now as a decimal; nil and empty for no transformers.
func (b *builder) ratios(at string, specs []ratioSpec) ([]plant.Ratio, string) {
	var all []plant.Ratio
	now := ""
	for i, s := range specs {
		path := fmt.Sprintf("%s[%d]", at, i)
		if len(specs) == 1 {
			path = at
		}
		r := s.Is.Rat()
		ratio := plant.Ratio{From: civil.Local(s.From.Time, b.plant.TimeZone), Num: 1, Den: 1}
		switch {
		case r.Sign() <= 0:
			b.report(path, "not greater than 0", "write the ratio of the current and voltage transformers, for example 40")
		case !r.Num().IsInt64() || !r.Denom().IsInt64():
			b.report(path, "more digits than can be counted with", "write the ratio with at most 18 digits")
		default:
			ratio.Num, ratio.Den = r.Num().Int64(), r.Denom().Int64()
		}
		switch {
		case i == 0 && !ratio.From.IsZero():
			b.report(path+".from", "the first multiplier has a beginning", "remove its from; it holds from the beginning of data")
		case i > 0 && !ratio.From.After(all[i-1].From):
			b.report(path+".from", "the multiplier does not begin after the one before it", "give each later multiplier a from, in order, for example 2026-03-14 06:00")
		}
		if i == 0 || !ratio.From.After(time.Now()) {
			now = string(s.Is)
		}
		all = append(all, ratio)
	}
	return all, now
}

// samplesPower says whether a value is the active power of its meter, from which
// energy can be estimated where there is no register.
func samplesPower(v plant.ProfileValue) bool {
	return v.Name == "power" && (v.Unit == "W" || v.Unit == "kW")
}

// checkBusPlace refuses two meters at one address of a bus, and a period that
// the bus cannot keep.
func (b *builder) checkBusPlace(m metered, bus plant.Bus) {
	for _, o := range b.meters {
		if o.Bus == m.Bus && o.Unit == m.Unit {
			b.reportf(m.path+".unit", "give each meter of a bus its own unit", "unit %d of bus %s is already meter %s", m.Unit, m.Bus, o.ID)
		}
	}
	if m.Period > 0 && m.Period < bus.Timeout {
		b.reportf(m.path+".period", "poll less often or shorten the timeout of the bus", "the period %v is shorter than the timeout %v", m.Period, bus.Timeout)
	}
}

// checkMeter checks a meter's values by themselves.
func (b *builder) checkMeter(at string, s meterSpec) {
	if s.Unit > 247 && s.Unit != 255 {
		b.reportf(at+".unit", "expected 1 to 247, or 0 or 255 for a single device on TCP", "unit %d", s.Unit)
	}
	if s.Period < 100*time.Millisecond || s.Period > 24*time.Hour {
		b.reportf(at+".period", "expected 100ms to 24h, for example 10s", "a period of %v", s.Period)
	}
	if s.Retries < 0 || s.Retries > 10 {
		b.reportf(at+".retries", "expected 0 to 10", "%d retries", s.Retries)
	}
	if s.MaxGap < s.Period {
		b.reportf(at+".max_gap", "allow several periods, for example 30m", "the longest gap %v is shorter than the period %v", s.MaxGap, s.Period)
	}
	if s.Station != "" && s.Press != "" {
		b.report(at+".press", "the meter has both a station and a press", "keep station when only that station is behind the meter, else press")
	}
	if _, ok := b.plant.FindStation(plant.StationID(s.Station)); s.Station != "" && !ok {
		b.reportf(at+".station", strictyaml.Suggest(s.Station, b.stationNames(), "list it under presses"), "unknown station %q", s.Station)
	}
	if s.Press != "" && !slices.Contains(b.pressNames(), s.Press) {
		b.reportf(at+".press", strictyaml.Suggest(s.Press, b.pressNames(), "list it under presses"), "unknown press %q", s.Press)
	}
}

// checkUse refuses stations without meter and meters that nobody uses.
func (b *builder) checkUse() {
	for i, ps := range b.in.Presses {
		for j, ss := range ps.Stations {
			own := func(m metered) bool { return string(m.Station) == ss.Name }
			if ss.Metered && !slices.ContainsFunc(b.meters, own) {
				b.reportf(fmt.Sprintf("presses[%d].stations[%d]", i, j), "give a meter station: "+ss.Name+", or write metered: false on the station",
					"station %s has no meter", ss.Name)
			}
		}
	}
	for _, m := range b.meters {
		used := m.Station != "" || m.Press != "" || slices.ContainsFunc(b.meters, func(o metered) bool { return o.check == m.ID })
		for _, p := range b.plant.Projects {
			used = used || slices.ContainsFunc(p.Boundary, func(r plant.RegisterID) bool {
				owner, _ := r.Split()
				return owner == string(m.ID)
			})
		}
		if !used {
			b.reportf(m.path, "give it station: or press:, name it in a savings boundary, or remove it", "nobody uses meter %s", m.ID)
		}
	}
}
