package config

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // zones on machines without a zone database

	"curetally/internal/core/plant"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// site reads what holds for the whole plant.
func (b *builder) site() {
	s := b.in.Site
	p := &b.plant
	p.Name = strings.TrimSpace(s.Name)
	if len(p.Name) == 0 || len(p.Name) > 64 || strings.ContainsFunc(p.Name, func(r rune) bool { return r < ' ' }) {
		b.report("site.name", "the site's name is empty, longer than 64 bytes or has control characters", "write a short name, for example Alder Lane Labels")
	}
	p.TimeZone = time.UTC
	if zone, err := time.LoadLocation(s.TimeZone); err != nil || s.TimeZone == "" || s.TimeZone == "Local" {
		b.reportf("site.time_zone", "write a name of the zone database, for example Europe/Berlin", "unknown time zone %q", s.TimeZone)
	} else {
		p.TimeZone = zone
	}
	b.interval(s.Interval)
	if s.ClockLimit <= 0 {
		b.report("site.clock_limit", "not longer than 0", "write how far a device clock may be off, for example 2m")
	}
	p.ClockLimit = s.ClockLimit
	p.WorkDays = s.WorkDays
	for i, h := range s.Holidays {
		day := civil.Local(h.Time, p.TimeZone)
		if slices.ContainsFunc(p.Holidays, day.Equal) {
			b.report(fmt.Sprintf("site.holidays[%d]", i), "the holiday is there twice", "keep one of the two")
			continue
		}
		p.Holidays = append(p.Holidays, day)
	}
}

// interval checks that entries are of an allowed length and that local midnights
// fall on their borders, now and in every year the program is likely to see.
func (b *builder) interval(length time.Duration) {
	b.plant.Interval = length
	allowed := []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, 60 * time.Minute}
	if !slices.Contains(allowed, length) {
		b.reportf("site.interval", "expected 5m, 10m, 15m, 30m or 60m", "an interval of %v", length)
		return
	}
	for year := 2015; year <= 2040; year++ {
		for _, month := range []time.Month{time.January, time.July} {
			t := time.Date(year, month, 1, 12, 0, 0, 0, b.plant.TimeZone)
			if _, offset := t.Zone(); offset%int(length.Seconds()) != 0 {
				b.reportf("site.interval", "choose 15m, 5m or another length that divides the offset",
					"days of %s do not begin on the border of a %.0f-minute interval (its offset is %s)", b.in.Site.TimeZone, length.Minutes(), t.Format("-07:00"))
				return
			}
		}
	}
}

// own takes a name for a press, station or meter. They share one space of names,
// because registers are called owner/value.
func (b *builder) own(path, name, what string) {
	if err := plant.ValidName(name); err != nil {
		b.report(path, err.Error(), "choose another name for the "+what)
		return
	}
	if first, taken := b.owners[name]; taken {
		b.reportf(path, "presses, stations and meters share one set of names: give each its own",
			"the name %q is already taken on line %d (%s)", name, b.doc.Line(first), first)
		return
	}
	b.owners[name] = path
}

// presses reads presses and their stations.
func (b *builder) presses() {
	if len(b.in.Presses) == 0 {
		b.report("presses", "the plant has no press", "list at least one press with its stations")
	}
	common := b.in.Site.Calendar.Calendar(b.doc, "site.calendar", b.plant.TimeZone)
	for i, ps := range b.in.Presses {
		at := fmt.Sprintf("presses[%d]", i)
		b.own(at+".name", ps.Name, "press")
		press := plant.Press{ID: plant.PressID(ps.Name), Title: orName(ps.Title, ps.Name)}
		press.Calendar = pressCalendar(press.ID, common, ps.Calendar.Calendar(b.doc, at+".calendar", b.plant.TimeZone))
		if len(ps.Stations) == 0 {
			b.report(at+".stations", "the press has no station", "list its curing stations in the order of the web")
		}
		for j, ss := range ps.Stations {
			press.Stations = append(press.Stations, b.station(fmt.Sprintf("%s.stations[%d]", at, j), ss, press.ID))
		}
		for j, ls := range ps.Loops {
			press.Loops = append(press.Loops, b.loop(fmt.Sprintf("%s.loops[%d]", at, j), ls, press))
		}
		b.plant.Presses = append(b.plant.Presses, press)
	}
}

// loop reads a cooling loop or an exhaust; without stations it is of all those of
// the press, and its signals are by default those of the press.
func (b *builder) loop(at string, ls loopSpec, press plant.Press) plant.Loop {
	b.own(at+".name", ls.Name, "loop")
	l := plant.Loop{ID: ls.Name, Title: orName(ls.Title, ls.Name), Exhaust: ls.Carries == "air", SignalsOf: ls.SignalsOf}
	if ls.Carries != "coolant" && ls.Carries != "air" {
		b.reportf(at+".carries", "expected coolant, or air for an exhaust", "a loop carries %q", ls.Carries)
	}
	if l.SignalsOf == "" {
		l.SignalsOf = string(press.ID)
	}
	var names []string
	for _, s := range press.Stations {
		names = append(names, string(s.ID))
		if ls.Stations == nil {
			l.Stations = append(l.Stations, s.ID)
		}
	}
	for k, name := range ls.Stations {
		if !slices.Contains(names, name) {
			b.reportf(fmt.Sprintf("%s.stations[%d]", at, k), strictyaml.Suggest(name, names, ""), "press %s has no station %q", press.ID, name)
		}
		l.Stations = append(l.Stations, plant.StationID(name))
	}
	return l
}

// signalsOfLoops checks, once all names are known, whose signals loops have.
func (b *builder) signalsOfLoops() {
	for i, p := range b.plant.Presses {
		for j, l := range p.Loops {
			if at, known := b.owners[l.SignalsOf]; !known || strings.Contains(at, ".loops[") {
				b.reportf(fmt.Sprintf("presses[%d].loops[%d].signals_of", i, j), strictyaml.Suggest(l.SignalsOf, slices.Sorted(maps.Keys(b.owners)), ""),
					"no press, station or meter is called %q", l.SignalsOf)
			}
		}
	}
}

// pressCalendar is that of one press: its own shifts, else those of the site, and
// the holidays and stops of both.
func pressCalendar(id plant.PressID, common, own plant.PressCalendar) plant.PressCalendar {
	if len(own.Patterns) == 0 {
		own.Patterns = common.Patterns
	}
	own.Holidays = slices.Concat(common.Holidays, own.Holidays)
	own.Stops = slices.Concat(common.Stops, own.Stops)
	own.Weekly = slices.Concat(common.Weekly, own.Weekly)
	for i := range own.Stops {
		own.Stops[i].Press = id
	}
	return own
}

func orName(title, name string) string {
	if title == "" {
		return name
	}
	return title
}

func (b *builder) station(at string, ss stationSpec, press plant.PressID) plant.Station {
	b.own(at+".name", ss.Name, "station")
	if ss.Silence <= 0 {
		b.report(at+".silence", "not longer than 0", "write how long the station may say nothing, for example 2m")
	}
	st := plant.Station{
		ID: plant.StationID(ss.Name), Press: press, Title: orName(ss.Title, ss.Name),
		Silence: ss.Silence, Uncounted: !ss.Counters, LampKind: ss.LampKind,
		HourMeter: ss.HourMeter, LitPower: float64(ss.LitPower), IrradianceSensor: ss.Irradiance,
		DriveSignal: ss.Drive, TemperatureSignal: ss.HeadTemp,
	}
	if len(ss.Technology) == 0 {
		b.report(at+".technology", "no technology", "write arc, led or hot-air")
	}
	for k, ts := range ss.Technology {
		path := fmt.Sprintf("%s.technology[%d]", at, k)
		from := plant.TechnologyFrom{From: civil.Local(ts.From.Time, b.plant.TimeZone), Technology: b.technology(path+".is", ts.Is)}
		switch {
		case k == 0 && !from.From.IsZero():
			b.report(path+".from", "the first technology has a beginning", "remove its from; what is mounted first holds from the beginning of data")
		case k > 0 && !from.From.After(st.Technology[k-1].From):
			b.report(path+".from", "the technology does not begin after the one before it", "give each later technology a from, in order, for example 2026-03-14")
		}
		st.Technology = append(st.Technology, from)
	}
	return st
}

// technology reads a technology's word; TechnologyNone for an empty one.
func (b *builder) technology(path, word string) plant.Technology {
	if word == "" {
		return plant.TechnologyNone
	}
	t, err := plant.ParseTechnology(word)
	if err != nil {
		b.reportf(path, "expected arc, led or hot-air", "unknown technology %q", word)
	}
	return t
}

// stationNames lists all stations, for suggestions.
func (b *builder) stationNames() []string {
	var names []string
	for _, s := range b.plant.Stations() {
		names = append(names, string(s.ID))
	}
	return names
}

// pressNames lists all presses, for suggestions.
func (b *builder) pressNames() []string {
	var names []string
	for _, p := range b.plant.Presses {
		names = append(names, string(p.ID))
	}
	return names
}
