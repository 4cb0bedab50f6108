package app

import (
	"fmt"
	"time"

	"curetally/internal/work/publish"
	"curetally/internal/work/web"
)

// ofSavings lists what threatens the savings of the projects: a conversion before
// the baseline is ready, a lasting rise of use, a static factor that changed.
func ofSavings(snap *publish.Snapshot) []web.Finding {
	var out []web.Finding
	for _, ps := range snap.Projects {
		id := string(ps.Project.ID)
		if !ps.Frozen && ps.Ready.Late {
			out = append(out, web.Finding{
				Kind: "baseline not ready", Subject: id, Text: ps.Ready.Words(),
				Remedy: "See curetally baseline show " + id + ". The old system can be measured only once.",
			})
		}
		if ps.Drifting {
			out = append(out, web.Finding{
				Kind: "savings drift", Subject: id, Since: ps.Drift.Began, Text: ps.Drift.Words(),
				Remedy: "Look for a station on its old lamps, an exhaust that runs on, dirty optics; if something was changed on purpose, record an adjustment.",
			})
		}
		if f, ok := rangeLeft(ps, snap.At); ok {
			out = append(out, f)
		}
		for _, c := range ps.Changes {
			out = append(out, web.Finding{
				Kind: "static factor changed", Subject: id, Since: c.From,
				Text:   fmt.Sprintf("%s was %s in the baseline and is %s; what that did to the energy is in no adjustment.", c.Name, c.Was, c.Is),
				Remedy: fmt.Sprintf("curetally adjustment add %s --factor %q --from … --to … --kwh … --sign … --event … --evidence … --by …", id, c.Name),
			})
		}
	}
	return out
}

// rangeFresh is how long a day outside the baseline's range stays a finding.
const rangeFresh = 14 * 24 * time.Hour

// rangeLeft says that lately a driver had values for which the baseline's model was
// not made.
func rangeLeft(ps publish.ProjectState, now time.Time) (web.Finding, bool) {
	all := ps.Statement.OutsideRange
	if !ps.Stated || len(all) == 0 || now.Sub(all[len(all)-1].Day) > rangeFresh {
		return web.Finding{}, false
	}
	o := all[len(all)-1]
	return web.Finding{
		Kind: "baseline range left", Subject: string(ps.Project.ID), Since: o.Day,
		Text: fmt.Sprintf("On %s the driver %s was %.4g; the baseline went through %.4g to %.4g. There the model is a guess.",
			o.Day.Format(time.DateOnly), o.Driver, o.Value, o.Low, o.High),
		Remedy: "Look whether the press works otherwise than in the baseline period; days outside the range are told apart in the statement.",
	}, true
}
