package config

import (
	"fmt"

	"curetally/internal/core/plant"
)

// upkeepSpec is how upkeep is planned.
type upkeepSpec struct {
	IsolationMinutes int     `yaml:"isolation_minutes"`
	StopWeeks        int     `yaml:"stop_weeks"`
	ServiceLevel     float64 `yaml:"service_level"`
	CoverWeeks       int     `yaml:"cover_weeks"`
	SpentDays        int     `yaml:"spent_days"`
}

func (s *upkeepSpec) SetDefaults() { *s = upkeepSpec(plant.DefaultUpkeep()) }

// planning reads how upkeep is planned.
func (b *builder) planning() {
	s := b.in.Upkeep
	for _, limit := range []struct {
		key         string
		value       int
		least, most int
	}{
		{"isolation_minutes", s.IsolationMinutes, 0, 24 * 60},
		{"stop_weeks", s.StopWeeks, 1, 104},
		{"cover_weeks", s.CoverWeeks, 1, 52},
		{"spent_days", s.SpentDays, 1, 3650},
	} {
		if limit.value < limit.least || limit.value > limit.most {
			b.reportf("upkeep."+limit.key, fmt.Sprintf("expected %d to %d", limit.least, limit.most), "%d is out of range", limit.value)
		}
	}
	if !(s.ServiceLevel >= 0.5 && s.ServiceLevel <= 0.9999) {
		b.report("upkeep.service_level", "not between 0.5 and 0.9999", "write the chance with which spares are to last, for example 0.95")
	}
	b.plant.Upkeep = plant.UpkeepSettings(s)
}
