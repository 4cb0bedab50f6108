package config

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"curetally/internal/core/plant"
)

// DefaultPattern is the topic that stations are expected to report on when the
// configuration has a broker and no topics.
const DefaultPattern = "curing/{press}/{station}/status"

// defaultTopic is the mapping that goes with DefaultPattern.
func defaultTopic() topicSpec {
	return topicSpec{
		Pattern: DefaultPattern, Station: "{station}", State: "state", Instant: "time", InstantFormat: "rfc3339",
		Technology: "technology", Boot: "boot", Sequence: "sequence", LitSeconds: "lit_seconds", Starts: "starts",
		Will: []string{"offline"},
	}
}

// topics reads the mapping of messages.
func (b *builder) topics() {
	specs := b.in.Topics
	if b.in.Broker.URL == "" {
		if len(specs) > 0 {
			b.report("topics", "there are topics and no broker", "add broker: {url: \"mqtt://host:1883\"}, or remove the topics")
		}
	} else if specs == nil {
		specs = []topicSpec{defaultTopic()}
	}
	patterns := map[string]int{}
	for i, s := range specs {
		at := fmt.Sprintf("topics[%d]", i)
		if first, double := patterns[s.Pattern]; double {
			b.reportf(at+".pattern", "map each pattern once", "the pattern is already topics[%d]", first)
		}
		patterns[s.Pattern] = i
		b.plant.Topics = append(b.plant.Topics, b.topic(at, s))
	}
	if b.in.Broker.URL == "" {
		return
	}
	for i, ps := range b.in.Presses {
		for j, ss := range ps.Stations {
			names := func(t plant.Topic) bool { return t.Station != "" && matches(t.Station, ss.Name) }
			if !slices.ContainsFunc(b.plant.Topics, names) {
				b.reportf(fmt.Sprintf("presses[%d].stations[%d].name", i, j), "add a topic for it, or correct the template under station",
					"no topic can give the station name %s", ss.Name)
			}
		}
	}
}

func (b *builder) topic(at string, s topicSpec) plant.Topic {
	t := plant.Topic{
		Pattern: s.Pattern, Station: s.Station, Press: s.Press, State: s.State, Instant: s.Instant, Technology: s.Technology,
		Boot: s.Boot, Sequence: s.Sequence, LitSeconds: s.LitSeconds, Starts: s.Starts, InstantFormat: s.InstantFormat,
		WillWords: s.Will, Signals: s.Signals,
	}
	parts := b.pattern(at+".pattern", s.Pattern)
	b.template(at+".station", s.Station, parts, b.stationNames())
	b.template(at+".press", s.Press, parts, b.pressNames())
	if (s.Station == "") == (s.Press == "") {
		b.report(at, "expected either a station or a press", "write station: \"{station}\" for status messages, press: \"{press}\" for messages of a press")
	}
	if s.Instant == "" {
		b.report(at+".instant", "no path for the instant", "write where in the message the time stands, for example instant: time")
	}
	if !slices.Contains([]string{"rfc3339", "unix_seconds", "unix_millis"}, s.InstantFormat) {
		b.reportf(at+".instant_format", "expected rfc3339, unix_seconds or unix_millis", "unknown format %q", s.InstantFormat)
	}
	b.topicPaths(at, s)
	if s.Station != "" {
		b.stationTopic(at, s, &t)
	} else {
		b.pressTopic(at, s)
	}
	for _, name := range slices.Sorted(maps.Keys(s.Counters)) {
		path := at + ".counters." + name
		if err := plant.ValidName(name); err != nil {
			b.report(path, err.Error(), "choose another name for the counter")
		}
		quantity, factor := b.counter(path, s.Counters[name])
		if t.Counters == nil {
			t.Counters = map[string]plant.TopicCounter{}
		}
		t.Counters[name] = plant.TopicCounter{Path: s.Counters[name].Path, Quantity: quantity, Scale: decimal(factor)}
	}
	return t
}

// topicPaths checks the form of every path into the message.
func (b *builder) topicPaths(at string, s topicSpec) {
	paths := map[string]string{
		"state": s.State, "instant": s.Instant, "technology": s.Technology, "boot": s.Boot,
		"sequence": s.Sequence, "lit_seconds": s.LitSeconds, "starts": s.Starts,
	}
	for name, p := range s.Signals {
		paths["signals."+name] = p
		if p == "" {
			b.report(at+".signals."+name, "no path", "write where in the message the value stands")
		}
		if err := plant.ValidName(name); err != nil {
			b.report(at+".signals."+name, err.Error(), "name the signal with its unit, for example housing_celsius")
		}
	}
	for name, c := range s.Counters {
		paths["counters."+name+".path"] = c.Path
	}
	for _, key := range slices.Sorted(maps.Keys(paths)) {
		p := paths[key]
		if p != "" && (strings.HasPrefix(p, ".") || strings.HasSuffix(p, ".") || strings.Contains(p, "..") || strings.ContainsAny(p, " \t\n*?|#@{}[]")) {
			b.reportf(at+"."+key, "write names joined by dots, for example counters.lit_s", "not a path: %q", p)
		}
	}
}

// stationTopic checks the words and paths of status messages.
func (b *builder) stationTopic(at string, s topicSpec, t *plant.Topic) {
	if s.State == "" {
		b.report(at+".state", "no path for the state", "write where in the message the state stands, for example state: state")
	}
	if (s.Boot == "") != (s.Sequence == "") {
		b.report(at, "boot and sequence are of use only together", "give both paths, or neither")
	}
	if len(s.Counters) > 0 {
		b.report(at+".counters", "counters belong to a press", "map them in a topic with press: instead of station:")
	}
	t.StateWords = map[string]plant.State{}
	for _, word := range slices.Sorted(maps.Keys(s.States)) {
		state, err := plant.ParseState(s.States[word])
		if err != nil {
			b.reportf(at+".states."+word, "expected one of off, starting, standby, curing, cooling, fault, unknown", "unknown state %q", s.States[word])
		}
		t.StateWords[word] = state
	}
	if s.States == nil {
		for _, state := range plant.States() {
			t.StateWords[state.String()] = state
		}
	}
	for _, word := range slices.Sorted(maps.Keys(s.Technologies)) {
		if t.TechnologyWords == nil {
			t.TechnologyWords = map[string]plant.Technology{}
		}
		t.TechnologyWords[word] = b.technology(at+".technologies."+word, s.Technologies[word])
	}
}

// pressTopic refuses what only a station can say.
func (b *builder) pressTopic(at string, s topicSpec) {
	for _, key := range []string{"state", "technology", "boot", "sequence", "lit_seconds", "starts", "states", "technologies"} {
		if b.doc.Has(at + "." + key) {
			b.report(at+"."+key, "belongs to a station", "remove it, or write station: instead of press:")
		}
	}
	if s.Press != "" && len(s.Counters) == 0 && len(s.Signals) == 0 {
		b.report(at, "nothing is taken from these messages", "add counters or signals")
	}
}

// counter checks a press counter and gives its quantity and the exact factor
// from counts to the register's units.
func (b *builder) counter(path string, c counterSpec) (plant.Quantity, *big.Rat) {
	units := map[string]struct {
		quantity plant.Quantity
		factor   int64
	}{
		"m2": {plant.QuantityArea, 10_000}, "cm2": {plant.QuantityArea, 1},
		"m": {plant.QuantityLength, 1000}, "mm": {plant.QuantityLength, 1}, "km": {plant.QuantityLength, 1_000_000},
		"impressions": {plant.QuantityImpressions, 1}, "thousand_impressions": {plant.QuantityImpressions, 1000},
	}
	u, ok := units[c.Unit]
	if !ok {
		b.reportf(path+".unit", remedyFor(c.Unit, slices.Sorted(maps.Keys(units)), ""), "unknown unit %q", c.Unit)
		return plant.QuantityImpressions, big.NewRat(1, 1)
	}
	if c.Scale.Rat().Sign() <= 0 {
		b.report(path+".scale", "not greater than 0", "write the factor from counts to the unit, for example 0.1")
	}
	if c.MaxPerHour < 0 || c.MaxPerHour > 1e9 {
		b.report(path+".max_per_hour", "not between 0 and 1e9", "write the most that the press can make in an hour, in the unit")
	}
	factor := new(big.Rat).SetInt64(u.factor)
	factor.Mul(factor, c.Scale.Rat())
	if m := counterModulus(c, factor); c.Modulus > 0 && m == 0 {
		b.report(path+".modulus", "not a whole number of "+u.quantity.String()+" units, or too large", "give the modulus in counts")
	}
	return u.quantity, factor
}

// counterModulus is where a counter starts again, in register units; 0 when it
// does not or when that is no whole number.
func counterModulus(c counterSpec, factor *big.Rat) int64 {
	m := new(big.Rat).SetInt(new(big.Int).SetUint64(c.Modulus))
	m.Mul(m, factor)
	if !m.IsInt() || !m.Num().IsInt64() {
		return 0
	}
	return m.Num().Int64()
}

// decimal writes an exact decimal without trailing zeros.
func decimal(r *big.Rat) string {
	const digits = 24
	return strings.TrimSuffix(strings.TrimRight(r.FloatString(digits), "0"), ".")
}

// segment is a piece of a pattern or template: fixed text or a named part.
type segment struct {
	text string
	part bool
}

// split cuts a template at its {parts}; false when the braces do not match.
func split(s string) ([]segment, bool) {
	var out []segment
	for s != "" {
		before, rest, found := strings.Cut(s, "{")
		if strings.Contains(before, "}") {
			return nil, false
		}
		if before != "" {
			out = append(out, segment{before, false})
		}
		if !found {
			break
		}
		name, after, closed := strings.Cut(rest, "}")
		if !closed || plant.ValidName(name) != nil {
			return nil, false
		}
		out = append(out, segment{name, true})
		s = after
	}
	return out, true
}

// pattern checks a topic pattern and gives its named parts. A part is a whole
// level, as a broker can match only whole levels.
func (b *builder) pattern(path, pattern string) []string {
	const remedy = "write levels of plain text or one {part}, for example press/{press}/{n}/status"
	parts := []string{}
	for level := range strings.SplitSeq(pattern, "/") {
		segments, ok := split(level)
		if !ok || len(segments) != 1 || strings.ContainsAny(level, "+#\x00") {
			b.reportf(path, remedy, "the level %q is not plain text or one named part", level)
			return nil
		}
		if !segments[0].part {
			continue
		}
		if slices.Contains(parts, segments[0].text) {
			b.reportf(path, "name each part once", "the part {%s} is there twice", segments[0].text)
			return nil
		}
		parts = append(parts, segments[0].text)
	}
	return parts
}

// template checks that a template has only parts of its pattern and can give at
// least one known name. Nil parts mean that the pattern itself is wrong.
func (b *builder) template(path, template string, parts, names []string) {
	if template == "" || parts == nil {
		return
	}
	segments, ok := split(template)
	if !ok {
		b.reportf(path, "write text and {part}, for example {press}-{n}", "the template %q has odd braces", template)
		return
	}
	for _, s := range segments {
		if s.part && !slices.Contains(parts, s.text) {
			b.reportf(path, remedyFor(s.text, parts, "add the part to the pattern"), "the pattern has no part {%s}", s.text)
			return
		}
	}
	if !slices.ContainsFunc(names, func(n string) bool { return matches(template, n) }) {
		b.reportf(path, remedyFor(template, names, "list it under presses"), "the template %q can give no known name", template)
	}
}

// matches says whether a template can give a name.
func matches(template, name string) bool {
	segments, ok := split(template)
	return ok && fits(segments, name)
}

func fits(segments []segment, name string) bool {
	if len(segments) == 0 {
		return name == ""
	}
	first, rest := segments[0], segments[1:]
	if !first.part {
		after, ok := strings.CutPrefix(name, first.text)
		return ok && fits(rest, after)
	}
	for i := 1; i <= len(name); i++ {
		if fits(rest, name[i:]) {
			return true
		}
	}
	return false
}
