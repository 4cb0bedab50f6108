package config

import (
	"slices"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/civil"
	"curetally/internal/link/config/strictyaml"
)

// planSpec is the part of a measurement-and-verification plan that only people can
// say. Every key may be left out: the plan then lists it as missing.
type planSpec struct {
	Option           string         `yaml:"option"`
	Facility         string         `yaml:"facility"`
	Intent           string         `yaml:"intent"`
	Commissioning    string         `yaml:"commissioning"`
	Crosses          []string       `yaml:"crosses"`
	Interactive      []effectSpec   `yaml:"interactive"`
	Conditions       string         `yaml:"conditions"`
	Estimates        []estimateSpec `yaml:"estimates"`
	Reinspection     string         `yaml:"reinspection"`
	Witness          string         `yaml:"witness"`
	Calibration      string         `yaml:"calibration"`
	Responsibilities []dutySpec     `yaml:"responsibilities"`
	Budget           string         `yaml:"budget"`
	Reports          string         `yaml:"reports"`
	Quality          []string       `yaml:"quality"`
	ApprovedBy       string         `yaml:"approved_by"`
	ApprovedOn       date           `yaml:"approved_on"`
}

type effectSpec struct {
	Effect    string `yaml:"effect,required"`
	Treatment string `yaml:"treatment,required"`
}

type estimateSpec struct {
	What  string `yaml:"what,required"`
	Value string `yaml:"value,required"`
	Range string `yaml:"range,required"`
	Why   string `yaml:"why,required"`
}

type dutySpec struct {
	Task string `yaml:"task,required"`
	Who  string `yaml:"who,required"`
}

// mvPlan reads the plan of a project.
func (b *builder) mvPlan(at string, s planSpec, p *plant.Project) {
	options := wordsOf(plant.MVOptions())
	if s.Option != "" && !slices.Contains(options, s.Option) {
		b.reportf(at+".option", strictyaml.Suggest(s.Option, options, "")+"; A measures the key parameter, B all parameters, C the whole site", "unknown option %q", s.Option)
	}
	if len(s.Estimates) > 0 && s.Option != string(plant.MVOptionKey) {
		b.report(at+".estimates", "figures are estimated, which only option A does", "write option: A, or measure them and remove the estimates")
	}
	if (s.ApprovedBy == "") != s.ApprovedOn.IsZero() {
		b.report(at, "approved_by and approved_on are not both there", "write who approved the plan and on which day, or neither")
	}
	plan := plant.MVPlan{
		Option: plant.MVOption(s.Option), Facility: s.Facility, Intent: s.Intent, Commissioning: s.Commissioning, Crosses: s.Crosses,
		Conditions: s.Conditions, Reinspection: s.Reinspection, Witness: s.Witness, Calibration: s.Calibration, Budget: s.Budget,
		Reports: s.Reports, Quality: s.Quality, ApprovedBy: s.ApprovedBy, ApprovedOn: civil.Local(s.ApprovedOn.Time, b.plant.TimeZone),
	}
	for _, e := range s.Interactive {
		plan.Interactive = append(plan.Interactive, plant.MVEffect(e))
	}
	for _, e := range s.Estimates {
		plan.Estimates = append(plan.Estimates, plant.MVEstimate(e))
	}
	for _, d := range s.Responsibilities {
		plan.Responsibilities = append(plan.Responsibilities, plant.MVDuty(d))
	}
	p.Plan = plan
}
