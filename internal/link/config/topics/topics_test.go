package topics

import (
	"reflect"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

func TestMatches(t *testing.T) {
	for _, c := range []struct {
		template, name string
		want           bool
	}{
		{"{press}-{n}", "heron-3", true},
		{"{press}-{n}", "heron-3-left", true}, // {press} may be heron or heron-3
		{"{press}-{n}", "heron-", false},
		{"{press}-{n}", "-3", false},
		{"{press}-{n}", "heron", false},
		{"heron-{n}", "osprey-1", false},
		{"heron-{n}", "heron-12", true},
		{"heron-1", "heron-1", true},
		{"heron-1", "heron-12", false},
		{"{station}", "anything", true},
		{"{station}", "", false},
		{"{a}{b}", "x", false},
		{"{a}{b}", "xy", true},
		{"{open", "x", false},
	} {
		if got := Matches(c.template, c.name); got != c.want {
			t.Errorf("%s gives %s: %v", c.template, c.name, got)
		}
	}
}

// TestCounterRules: limits are in the units of the register whatever the unit
// and the scale of the counter.
func TestCounterRules(t *testing.T) {
	for _, c := range []struct {
		spec     Counter
		quantity plant.Quantity
		scale    string
		rules    plant.Rules
	}{
		{Counter{Path: "a", Unit: "m2"}, plant.QuantityArea, "10000", plant.Rules{MaxPerHour: 2_000_000_000, Slack: 10_000, Backstep: 20_000}},
		// Counts of a tenth of a metre up to 65 536: 6553.6 m; at most 9000 m/h.
		{Counter{Path: "l", Unit: "m", Scale: "0.1", MaxPerHour: 9000, Modulus: 65_536}, plant.QuantityLength, "100", plant.Rules{Modulus: 6_553_600, MaxPerHour: 9_000_000, Slack: 100, Backstep: 200}},
		{Counter{Path: "i", Unit: "thousand_impressions", Scale: "0.001"}, plant.QuantityImpressions, "1", plant.Rules{MaxPerHour: 1_000_000, Slack: 1, Backstep: 2}},
		{Counter{Path: "x", Unit: "cm2", Scale: "0.25"}, plant.QuantityArea, "0.25", plant.Rules{MaxPerHour: 2_000_000_000, Slack: 1, Backstep: 2}},
	} {
		doc := strictyaml.Decode("f", []byte("{}"), &struct{}{})
		s := Spec{Pattern: "p/{press}", Press: "{press}", Instant: "t", InstantFormat: "rfc3339", Counters: map[string]Counter{"c": c.spec}}
		topic := s.Topic(doc, "topics[0]", Names{Presses: []string{"heron"}})
		if len(doc.Problems()) > 0 {
			t.Errorf("%+v: %v", c.spec, doc.Problems())
			continue
		}
		got := topic.Counters["c"]
		if got.Quantity != c.quantity || got.Scale != c.scale {
			t.Errorf("%+v: %+v", c.spec, got)
		}
		c.rules.MaxGap = time.Minute
		if rules := c.spec.Rules(got, time.Minute); !reflect.DeepEqual(rules, c.rules) {
			t.Errorf("%+v: rules %+v, expected %+v", c.spec, rules, c.rules)
		}
	}
}

// TestStateWords: without words of its own, a message uses the states' words.
func TestStateWords(t *testing.T) {
	doc := strictyaml.Decode("f", []byte("{}"), &struct{}{})
	names := Names{Stations: []string{"heron-1"}}
	own := Default()
	for _, state := range plant.States() {
		if got := own.Topic(doc, "t", names).StateWords[state.String()]; got != state {
			t.Errorf("the word %s means %s", state, got)
		}
	}
	mapped := Default()
	mapped.States = map[string]string{"run": "curing"}
	if words := mapped.Topic(doc, "t", names).StateWords; len(words) != 1 || words["run"] != plant.StateCuring {
		t.Errorf("words %v", words)
	}
	if len(doc.Problems()) > 0 {
		t.Error(doc.Problems())
	}
}
