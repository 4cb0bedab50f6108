// Package shifts reads the calendar of a press: shifts of the week, changes of
// them by date, holidays and planned stops.
//
// A shift whose end is not after its begin ends on the next day. Shifts that
// overlap, in one night or around the end of the week, are refused, because their
// hours would count twice; so are planned stops that overlap.
//
// Clock times and dates are local to the site.
package shifts

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// Spec is a calendar as written in YAML.
type Spec struct {
	Shifts   []Shift      `yaml:"shifts"`
	Changes  []Change     `yaml:"changes"`
	Holidays []civil.Date `yaml:"holidays"`
	Stops    []Stop       `yaml:"stops"`
	Weekly   []Weekly     `yaml:"weekly_stops"`
}

// Shift is a shift on days of the week.
type Shift struct {
	Days civil.Week  `yaml:"days,required"`
	From civil.Clock `yaml:"from,required"`
	To   civil.Clock `yaml:"to,required"`
}

// Change is another pattern from a day on.
type Change struct {
	From   civil.Date `yaml:"from,required"`
	Shifts []Shift    `yaml:"shifts,required"`
}

// Stop is one planned stop.
type Stop struct {
	From    civil.Moment `yaml:"from,required"`
	To      civil.Moment `yaml:"to,required"`
	Minutes int          `yaml:"minutes"`
	People  int          `yaml:"people"`
	Note    string       `yaml:"note"`
}

// SetDefaults sets one person.
func (s *Stop) SetDefaults() { s.People = 1 }

// Weekly is a planned stop that comes back every week.
type Weekly struct {
	Days    civil.Week  `yaml:"days,required"`
	From    civil.Clock `yaml:"from,required"`
	To      civil.Clock `yaml:"to,required"`
	Minutes int         `yaml:"minutes"`
	People  int         `yaml:"people"`
	Note    string      `yaml:"note"`
}

// SetDefaults sets one person.
func (w *Weekly) SetDefaults() { w.People = 1 }

// reader reads one calendar.
type reader struct {
	doc  *strictyaml.Document
	zone *time.Location
	out  plant.PressCalendar
}

// Calendar checks a calendar; problems go to doc under at.
func (s Spec) Calendar(doc *strictyaml.Document, at string, zone *time.Location) plant.PressCalendar {
	r := reader{doc: doc, zone: zone}
	if len(s.Shifts) > 0 {
		r.pattern(at+".shifts", time.Time{}, s.Shifts)
	}
	for i, c := range s.Changes {
		path := fmt.Sprintf("%s.changes[%d]", at, i)
		from := civil.Local(c.From.Time, zone)
		switch n := len(r.out.Patterns); {
		case n == 0:
			doc.Report(path, "a change of shifts that were not given", "write the first shifts of the press under shifts")
		case !from.After(r.out.Patterns[n-1].From):
			doc.Report(path+".from", "the change does not come after the one before it", "write changes in order of their dates")
		}
		r.pattern(path+".shifts", from, c.Shifts)
	}
	for i, h := range s.Holidays {
		day := civil.Local(h.Time, zone)
		if slices.ContainsFunc(r.out.Holidays, day.Equal) {
			doc.Report(fmt.Sprintf("%s.holidays[%d]", at, i), "the holiday is there twice", "keep one of the two")
			continue
		}
		r.out.Holidays = append(r.out.Holidays, day)
	}
	r.stops(at, s.Stops)
	r.weekly(at, s.Weekly)
	return r.out
}

// stretch is a shift in the minutes of a week, with where it was given.
type stretch struct {
	from, to time.Duration
	index    int
}

const week = 7 * 24 * time.Hour

// pattern adds the pattern of a day on.
func (r *reader) pattern(at string, from time.Time, list []Shift) {
	p := plant.Pattern{From: from}
	var all []stretch
	for i, s := range list {
		begin, end := span(s.From, s.To)
		if begin == 24*time.Hour {
			r.doc.Report(fmt.Sprintf("%s[%d].from", at, i), "a shift begins at the end of the day", `write "00:00" of the next day`)
			continue
		}
		for day, works := range s.Days {
			if works {
				p.Shifts = append(p.Shifts, plant.Shift{Day: time.Weekday(day), From: begin, To: end})
				first := time.Duration(day) * 24 * time.Hour
				all = append(all, stretch{first + begin, first + end, i})
			}
		}
	}
	r.overlap(at, list, all)
	r.out.Patterns = append(r.out.Patterns, p)
}

// span gives begin and end since midnight; an end that is not after the begin is
// on the next day.
func span(from, to civil.Clock) (begin, end time.Duration) {
	begin, end = time.Duration(from), time.Duration(to)
	if end <= begin {
		end += 24 * time.Hour
	}
	return begin, end
}

// overlap reports each pair of shifts that overlap once, at the later of the two.
func (r *reader) overlap(at string, list []Shift, all []stretch) {
	slices.SortStableFunc(all, func(a, b stretch) int { return cmp.Compare(a.from, b.from) })
	told := map[[2]int]bool{}
	for i, a := range all {
		next := all[(i+1)%len(all)]
		if i+1 == len(all) {
			next.from += week
		}
		pair := [2]int{min(a.index, next.index), max(a.index, next.index)}
		if a.to <= next.from || told[pair] {
			continue
		}
		told[pair] = true
		day := time.Weekday(next.from % week / (24 * time.Hour))
		problem := fmt.Sprintf("overlaps on %s with shifts[%d] (line %d)", day, pair[0], r.doc.Line(fmt.Sprintf("%s[%d]", at, pair[0])))
		if pair[0] == pair[1] {
			problem = fmt.Sprintf("overlaps on %s with itself of the day before", day)
		}
		s := list[pair[1]]
		r.doc.Report(fmt.Sprintf("%s[%d]", at, pair[1]), fmt.Sprintf("the shift from %s to %s %s", clock(s.From), clock(s.To), problem),
			"let a shift begin where the one before it ends; a handover is not counted twice")
	}
}

func clock(c civil.Clock) string {
	m := int(time.Duration(c) / time.Minute)
	return fmt.Sprintf("%02d:%02d", m/60, m%60)
}

// crew checks how much work fits into a stop; minutes of 0 mean all of it.
func (r *reader) crew(at string, minutes, people int, length time.Duration) int {
	whole := int(length / time.Minute)
	if minutes < 0 || minutes > whole {
		r.doc.Report(at+".minutes", fmt.Sprintf("%d minutes of work in a stop of %d", minutes, whole),
			"write the minutes that each person can work, or remove the key for all of the stop")
	}
	if people < 1 || people > 1000 {
		r.doc.Report(at+".people", "not between 1 and 1000", "write how many people are there to work")
	}
	return cmp.Or(minutes, whole)
}

// stops reads single planned stops.
func (r *reader) stops(at string, list []Stop) {
	for i, s := range list {
		path := fmt.Sprintf("%s.stops[%d]", at, i)
		stop := plant.PlannedStop{
			From: civil.Local(s.From.Time, r.zone), To: civil.Local(s.To.Time, r.zone), People: s.People, Note: strings.TrimSpace(s.Note),
		}
		if !stop.To.After(stop.From) {
			r.doc.Report(path+".to", "the stop ends before it begins", "write when the press goes on, for example 2026-08-03 10:00")
			continue
		}
		stop.Minutes = r.crew(path, s.Minutes, s.People, stop.To.Sub(stop.From))
		for _, o := range r.out.Stops {
			if stop.From.Before(o.To) && o.From.Before(stop.To) {
				r.doc.Report(path, "overlaps with the stop that begins "+o.From.Format("2006-01-02 15:04"), "make one stop of the two, or separate them")
			}
		}
		r.out.Stops = append(r.out.Stops, stop)
	}
}

// weekly reads planned stops of every week.
func (r *reader) weekly(at string, list []Weekly) {
	for i, w := range list {
		path := fmt.Sprintf("%s.weekly_stops[%d]", at, i)
		begin, end := span(w.From, w.To)
		minutes := r.crew(path, w.Minutes, w.People, end-begin)
		for day, on := range w.Days {
			if on {
				r.out.Weekly = append(r.out.Weekly, plant.WeeklyStop{
					Day: time.Weekday(day), From: begin, To: end, Minutes: minutes, People: w.People, Note: strings.TrimSpace(w.Note),
				})
			}
		}
	}
}
