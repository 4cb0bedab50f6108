package app

import (
	"strings"
	"testing"
	"time"

	"curetally/internal/core/drift"
	"curetally/internal/core/plant"
	"curetally/internal/core/readiness"
	"curetally/internal/core/savings"
	"curetally/internal/work/publish"
)

func TestOfSavings(t *testing.T) {
	day := time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC)
	pr := plant.Project{ID: "heron-led"}
	late := readiness.Readiness{Late: true, Missing: []string{"4 of 10 usable days: wait for 6 more"}, MoreDays: 6, Conversion: day}
	change := savings.FactorChange{Name: "shifts per day", Was: "2", Is: "3", From: day}
	for _, c := range []struct {
		what string
		is   publish.ProjectState
		kind string // of the finding; empty for none
		say  []string
	}{
		{"late and not frozen", publish.ProjectState{Project: pr, Ready: late}, "baseline not ready", []string{"wait for 6 more", "1 Sep 2026", "curetally baseline show heron-led"}},
		{"late, yet frozen", publish.ProjectState{Project: pr, Ready: late, Frozen: true}, "", nil},
		{"not ready, with time left", publish.ProjectState{Project: pr, Ready: readiness.Readiness{Missing: late.Missing}}, "", nil},
		{"drifting", publish.ProjectState{Project: pr, Frozen: true, Drifting: true, Drift: drift.Drift{Began: day}}, "savings drift", []string{"record an adjustment"}},
		{"drift that ended", publish.ProjectState{Project: pr, Frozen: true, Drift: drift.Drift{Began: day}}, "", nil},
		{
			"factor changed", publish.ProjectState{Project: pr, Frozen: true, Changes: []savings.FactorChange{change}}, "static factor changed",
			[]string{"shifts per day was 2 in the baseline and is 3", `curetally adjustment add heron-led --factor "shifts per day"`},
		},
	} {
		got := ofSavings(&publish.Snapshot{Projects: []publish.ProjectState{c.is}})
		if c.kind == "" {
			if len(got) != 0 {
				t.Errorf("%s: found %+v", c.what, got)
			}
			continue
		}
		if len(got) != 1 || got[0].Kind != c.kind || got[0].Subject != "heron-led" {
			t.Errorf("%s: found %+v, want one %q", c.what, got, c.kind)
			continue
		}
		for _, want := range c.say {
			if text := got[0].Text + " " + got[0].Remedy; !strings.Contains(text, want) {
				t.Errorf("%s: %q does not say %q", c.what, text, want)
			}
		}
		if c.kind != "baseline not ready" && !got[0].Since.Equal(day) {
			t.Errorf("%s: since %v", c.what, got[0].Since)
		}
	}
}
