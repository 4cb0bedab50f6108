package app

import (
	"fmt"

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
