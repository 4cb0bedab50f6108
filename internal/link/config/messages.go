package config

import (
	"fmt"
	"slices"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/topics"
)

// topics reads the mapping of messages.
func (b *builder) topics() {
	specs := b.in.Topics
	if b.in.Broker.URL == "" {
		if len(specs) > 0 {
			b.report("topics", "there are topics and no broker", "add broker: {url: \"mqtt://host:1883\"}, or remove the topics")
		}
	} else if specs == nil {
		specs = []topics.Spec{topics.Default()}
	}
	names := topics.Names{Stations: b.stationNames(), Presses: b.pressNames()}
	patterns := map[string]int{}
	for i, s := range specs {
		at := fmt.Sprintf("topics[%d]", i)
		if first, double := patterns[s.Pattern]; double {
			b.reportf(at+".pattern", "map each pattern once", "the pattern is already topics[%d]", first)
		}
		patterns[s.Pattern] = i
		b.plant.Topics = append(b.plant.Topics, s.Topic(b.doc, at, names))
	}
	b.stationSignals()
	if b.in.Broker.URL == "" {
		return
	}
	for i, ps := range b.in.Presses {
		for j, ss := range ps.Stations {
			gives := func(t plant.Topic) bool { return t.Station != "" && topics.Matches(t.Station, ss.Name) }
			if !slices.ContainsFunc(b.plant.Topics, gives) {
				b.reportf(fmt.Sprintf("presses[%d].stations[%d].name", i, j), "add a topic for it, or correct the template under station",
					"no topic can give the station name %s", ss.Name)
			}
		}
	}
}

// stationSignals checks that a topic of the station carries the signals that it
// is said to have.
func (b *builder) stationSignals() {
	if b.in.Broker.URL == "" {
		return
	}
	for i, ps := range b.in.Presses {
		for j, ss := range ps.Stations {
			for _, named := range []struct{ key, signal string }{
				{"hour_meter", ss.HourMeter}, {"irradiance_sensor", ss.Irradiance}, {"drive_signal", ss.Drive}, {"temperature_signal", ss.HeadTemp},
			} {
				sent := func(t plant.Topic) bool {
					return t.Station != "" && topics.Matches(t.Station, ss.Name) && t.Signals[named.signal] != ""
				}
				if named.signal != "" && !slices.ContainsFunc(b.plant.Topics, sent) {
					b.reportf(fmt.Sprintf("presses[%d].stations[%d].%s", i, j, named.key), "name a signal that a topic of the station maps under signals",
						"no topic of the station sends a signal %q", named.signal)
				}
			}
		}
	}
}
