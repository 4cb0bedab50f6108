package config

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"curetally/internal/core/plant"
)

func TestAccuracy(t *testing.T) {
	for text, want := range map[string]plant.Accuracy{
		"profile: wh-uint32": {},
		"profile: wh-uint32, accuracy: {class: 1, ct: {amperes: 200, class: 0.5}}": {
			Class: "1", Amperes: 200, Transformers: "0.5", Independent: 1, Volts: 400, Phases: 3,
		},
		`profile: wh-uint32, accuracy: {class: "0.5S", ct: {amperes: 50, class: "0.2S", independent: 3}, volts: 480, power_factor: 0.95}`: {
			Class: "0.5S", Amperes: 50, Transformers: "0.2S", Independent: 3, Volts: 480, Phases: 3, PowerFactor: 0.95,
		},
		"profile: wh-uint32, accuracy: {class: 2, amperes: 5, phases: 1}": {
			Class: "2", Amperes: 5, Independent: 1, Volts: 230, Phases: 1,
		},
	} {
		c := parse(t, fmt.Sprintf(minimal, text))
		if d := cmp.Diff(want, c.Plant.Buses[0].Meters[0].Accuracy); d != "" {
			t.Errorf("%s (-want +got):\n%s", text, d)
		}
		if len(c.Warnings) != 0 {
			t.Errorf("%s: warnings %v", text, c.Warnings)
		}
	}
}

// 12 kW at 400 V and a power factor of 0.9 are 19.2 A.
func TestWarnsOfTransformerTooLarge(t *testing.T) {
	for ct, want := range map[string]string{
		"{amperes: 400, class: 0.5}": "plant.yaml:4: meters[0].accuracy.ct.amperes: even max_power is 19.2 A, 4.8 % of the 400 A of the current transformer; " +
			"class 0.5 promises nothing below 5 % — fit a smaller one, or pass the conductor through several times and set the ratio; class 0.2S or 0.5S holds down to 1 %",
		"{amperes: 300, class: 0.5}":   "",
		"{amperes: 1500, class: 0.5S}": "",
		"{amperes: 2000, class: 0.5S}": "plant.yaml:4: meters[0].accuracy.ct.amperes: even max_power is 19.2 A, 0.96 % of the 2000 A of the current transformer; " +
			"class 0.5S promises nothing below 1 % — fit a smaller one, or pass the conductor through several times and set the ratio",
	} {
		c := parse(t, fmt.Sprintf(minimal, "profile: wh-uint32, accuracy: {class: 1, ct: "+ct+"}"))
		var lines []string
		for _, w := range c.Warnings {
			lines = append(lines, w.String())
		}
		if got := strings.Join(lines, "\n"); got != want {
			t.Errorf("%s:\n%s\nwant\n%s", ct, got, want)
		}
	}
}

// The example states the accuracy of each kind of mounting.
func TestExampleStatesAccuracy(t *testing.T) {
	c, err := Load(filepath.Join(examples, "arc-baseline.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	direct, _ := c.Plant.FindMeter("heron-1-meter")
	behind, _ := c.Plant.FindMeter("heron-3-meter")
	if direct.Accuracy.Transformers != "" || direct.Accuracy.Amperes != 5 || behind.Accuracy.Transformers != "0.5S" || behind.Accuracy.Amperes != 200 {
		t.Errorf("accuracy %+v and %+v", direct.Accuracy, behind.Accuracy)
	}
}
