package app

import (
	"fmt"
	"strings"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/commission"
	"curetally/internal/core/plant"
	"curetally/internal/work/publish"
	"curetally/internal/work/web"
)

// oversized lists the current transformers that are too large for what flows
// through them now.
func oversized(p *plant.Plant, loads []publish.MeterLoad) []web.Finding {
	var out []web.Finding
	for _, l := range loads {
		m, _ := p.FindMeter(l.Meter)
		a := m.Accuracy
		least := accuracy.LeastPercent(a.Transformers)
		if !(l.Now.Percent > 0 && l.Now.Percent < least) {
			continue
		}
		with := ""
		if l.Technology != plant.TechnologyNone {
			with = " with " + light(l.Technology)
		}
		limit, _ := accuracy.Between(a.Transformers, least)
		text := fmt.Sprintf("Over the last %d days%s the current was %.3g A, %.2g %% of the %.4g A of the transformer (mean by energy, power factor %.2f). "+
			"Class %s promises nothing below %.0f %%, where it allows %s.",
			publish.RecentDays, with, l.Now.Percent*a.Amperes/100, l.Now.Percent, a.Amperes, l.Factor, a.Transformers, least, limit)
		if l.Before.Percent >= least {
			text += fmt.Sprintf(" With %s it was %.2g %%: the transformer is sized for that.", light(l.BeforeTechnology), l.Before.Percent)
		}
		remedy := commission.SmallerTransformer(a.Transformers)
		out = append(out, web.Finding{
			Kind: "current transformer too large", Subject: string(l.Meter), Text: text,
			Remedy: strings.ToUpper(remedy[:1]) + remedy[1:] + ".",
		})
	}
	return out
}

// light is a light source in running text.
func light(t plant.Technology) string {
	if t == plant.TechnologyLED {
		return "LED"
	}
	return t.String()
}
