package app

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"curetally/internal/core/accuracy"
	"curetally/internal/core/plant"
	"curetally/internal/work/publish"
	"curetally/internal/work/web"
)

func TestOversizedTransformers(t *testing.T) {
	ct := func(class string) plant.Accuracy {
		return plant.Accuracy{Class: "1", Amperes: 100, Transformers: class, Independent: 1, Volts: 400, Phases: 3}
	}
	p := &plant.Plant{Buses: []plant.Bus{{Meters: []plant.Meter{
		{ID: "plain", Accuracy: ct("0.5")}, {ID: "fine", Accuracy: ct("0.5S")},
		{ID: "direct", Accuracy: plant.Accuracy{Class: "1", Amperes: 10, Volts: 230, Phases: 1}},
	}}}}
	load := func(id plant.MeterID, now, before float64) publish.MeterLoad {
		l := publish.MeterLoad{Meter: id, Technology: plant.TechnologyLED, BeforeTechnology: plant.TechnologyArc, Factor: 0.9}
		l.Now, l.Before = accuracy.Figures{Percent: now}, accuracy.Figures{Percent: before}
		return l
	}
	shared := load("fine", 0.5, 0)
	shared.Technology = plant.TechnologyNone
	for name, c := range map[string]struct {
		load publish.MeterLoad
		want []web.Finding
	}{
		"large enough":      {load("plain", 5, 16), nil},
		"S class":           {load("fine", 3, 16), nil},
		"no transformer":    {load("direct", 0.5, 16), nil},
		"nothing was drawn": {load("plain", 0, 16), nil},
		"sized for arc": {load("plain", 3.456, 16.4), []web.Finding{{
			Kind: "current transformer too large", Subject: "plain",
			Text: "Over the last 28 days with LED the current was 3.46 A, 3.5 % of the 100 A of the transformer (mean by energy, power factor 0.90). " +
				"Class 0.5 promises nothing below 5 %, where it allows ±1.5 % and ±90 minutes of angle. With arc it was 16 %: the transformer is sized for that.",
			Remedy: "Fit a smaller one, or pass the conductor through several times and set the ratio; class 0.2S or 0.5S holds down to 1 %.",
		}}},
		"of a whole press": {shared, []web.Finding{{
			Kind: "current transformer too large", Subject: "fine",
			Text: "Over the last 28 days the current was 0.5 A, 0.5 % of the 100 A of the transformer (mean by energy, power factor 0.90). " +
				"Class 0.5S promises nothing below 1 %, where it allows ±1.5 % and ±90 minutes of angle.",
			Remedy: "Fit a smaller one, or pass the conductor through several times and set the ratio.",
		}}},
	} {
		if d := cmp.Diff(c.want, oversized(p, []publish.MeterLoad{c.load})); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
}
