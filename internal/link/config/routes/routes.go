// Package routes reads who is told what and when: for each channel the role, the
// kinds of notices, the presses, quiet hours, days off and the digest. It knows
// nothing of how a channel sends.
//
// A role chooses topics, so that nobody has to list kinds: the planner gets tasks
// and lamps, the engineer meters, stations and the program, the manager savings.
//
// Problems are reported to the document that was read, each with its remedy.
package routes

import (
	"fmt"
	"slices"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// Spec is the part of a channel that says what it takes.
type Spec struct {
	Name         string        `yaml:"name,required"`
	Role         string        `yaml:"role"`
	Kinds        []notice.Kind `yaml:"kinds"`
	Presses      []string      `yaml:"presses"`
	Unanswered   bool          `yaml:"unanswered"`
	Quiet        *quietSpec    `yaml:"quiet"`
	WorkDaysOnly bool          `yaml:"work_days_only"`
	Digest       string        `yaml:"digest"`
}

type quietSpec struct {
	From civil.Clock `yaml:"from,required"`
	To   civil.Clock `yaml:"to,required"`
}

// topicsOf gives the topics of a role; none means all.
func topicsOf(role string) ([]notice.Topic, bool) {
	switch role {
	case "":
		return nil, true
	case "planner":
		return []notice.Topic{notice.Upkeep}, true
	case "engineer":
		return []notice.Topic{notice.Metering}, true
	case "manager":
		return []notice.Topic{notice.Savings}, true
	default:
		return nil, false
	}
}

// Route gives the route of a channel that stands at a path of the document.
func (s Spec) Route(doc *strictyaml.Document, at string, p *plant.Plant) notice.Route {
	r := notice.Route{Channel: s.Name, Kinds: s.Kinds, Unanswered: s.Unanswered}
	if err := plant.ValidName(s.Name); err != nil {
		doc.Report(at+".name", err.Error(), "choose another name for the channel")
	}
	var ok bool
	if r.Topics, ok = topicsOf(s.Role); !ok {
		doc.Report(at+".role", fmt.Sprintf("unknown role %q", s.Role), strictyaml.Suggest(s.Role, []string{"planner", "engineer", "manager"}, ""))
	}
	known := make([]string, 0, len(notice.Kinds()))
	for _, k := range notice.Kinds() {
		known = append(known, string(k))
	}
	for i, k := range s.Kinds {
		if !slices.Contains(known, string(k)) {
			doc.Report(fmt.Sprintf("%s.kinds[%d]", at, i), fmt.Sprintf("unknown kind of notice %q", k), strictyaml.Suggest(string(k), known, ""))
		}
	}
	names := make([]string, 0, len(p.Presses))
	for _, pr := range p.Presses {
		names = append(names, string(pr.ID))
	}
	for i, name := range s.Presses {
		if !slices.Contains(names, name) {
			doc.Report(fmt.Sprintf("%s.presses[%d]", at, i), fmt.Sprintf("there is no press %q", name), strictyaml.Suggest(name, names, "list the press under presses"))
		}
		r.Presses = append(r.Presses, plant.PressID(name))
	}
	r.Hours = s.hours(doc, at, p)
	if s.Digest != "" {
		d, err := notice.ParseSchedule(s.Digest, p.TimeZone)
		if err != nil {
			doc.Report(at+".digest", err.Error(), "write for example 30 6 * * 1-5 for half past six on weekdays")
		}
		r.Digest = d
	}
	return r
}

func (s Spec) hours(doc *strictyaml.Document, at string, p *plant.Plant) notice.Hours {
	h := notice.Hours{Zone: p.TimeZone}
	if s.Quiet != nil {
		h.QuietFrom, h.QuietTo = minutes(s.Quiet.From), minutes(s.Quiet.To)
		if h.QuietFrom == h.QuietTo || h.QuietFrom >= 1440 || h.QuietTo >= 1440 {
			doc.Report(at+".quiet", "is no part of a day", "write two different times, for example from 20:00 to 06:00")
		}
	}
	if s.WorkDaysOnly {
		if !slices.Contains(p.WorkDays[:], true) {
			doc.Report(at+".work_days_only", "the plant works on no day", "correct site.work_days, or remove work_days_only")
			return h
		}
		h.Works = p.WorkDay
	}
	return h
}

func minutes(c civil.Clock) int { return int(time.Duration(c) / time.Minute) }
