package topics

import (
	"fmt"
	"maps"
	"math"
	"math/big"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

// DefaultPattern is the topic that stations are expected to report on when the
// configuration has a broker and no topics.
const DefaultPattern = "curing/{press}/{station}/status"

// Default is the mapping that goes with DefaultPattern.
func Default() Spec {
	return Spec{
		Pattern: DefaultPattern, Station: "{station}", State: "state", Instant: "time", InstantFormat: "rfc3339",
		Technology: "technology", Boot: "boot", Sequence: "sequence", LitSeconds: "lit_seconds", Starts: "starts",
		Will: []string{"offline"},
	}
}

// Spec is the mapping of one topic pattern as written in YAML.
type Spec struct {
	Pattern       string             `yaml:"pattern,required"`
	Station       string             `yaml:"station"`
	Press         string             `yaml:"press"`
	State         string             `yaml:"state"`
	Instant       string             `yaml:"instant"`
	InstantFormat string             `yaml:"instant_format"`
	Technology    string             `yaml:"technology"`
	Boot          string             `yaml:"boot"`
	Sequence      string             `yaml:"sequence"`
	LitSeconds    string             `yaml:"lit_seconds"`
	Starts        string             `yaml:"starts"`
	States        map[string]string  `yaml:"states"`
	Technologies  map[string]string  `yaml:"technologies"`
	Will          []string           `yaml:"will"`
	Signals       map[string]string  `yaml:"signals"`
	Counters      map[string]Counter `yaml:"counters"`
}

// SetDefaults sets times as RFC 3339.
func (s *Spec) SetDefaults() { s.InstantFormat = "rfc3339" }

// Counter is a cumulative counter in the messages of a press, as written in YAML.
type Counter struct {
	Path       string             `yaml:"path,required"`
	Unit       string             `yaml:"unit,required"`
	Scale      strictyaml.Decimal `yaml:"scale"`
	MaxPerHour float64            `yaml:"max_per_hour"` // in the unit
	Modulus    uint64             `yaml:"modulus"`      // in counts
}

// Names are the stations and presses that a template may give.
type Names struct{ Stations, Presses []string }

// checker reports into a document.
type checker struct{ doc *strictyaml.Document }

func (b checker) report(path, problem, remedy string) { b.doc.Report(path, problem, remedy) }

func (b checker) reportf(path, remedy, format string, args ...any) {
	b.doc.Report(path, fmt.Sprintf(format, args...), remedy)
}

func (b checker) technology(path, word string) plant.Technology {
	t, err := plant.ParseTechnology(word)
	if err != nil {
		b.reportf(path, "expected arc, led or hot-air", "unknown technology %q", word)
	}
	return t
}

// Topic checks the spec and turns it into a mapping. Problems go to doc under at;
// the names are those that a template may give.
func (s Spec) Topic(doc *strictyaml.Document, at string, names Names) plant.Topic {
	b := checker{doc}
	t := plant.Topic{
		Pattern: s.Pattern, Station: s.Station, Press: s.Press, State: s.State, Instant: s.Instant, Technology: s.Technology,
		Boot: s.Boot, Sequence: s.Sequence, LitSeconds: s.LitSeconds, Starts: s.Starts, InstantFormat: s.InstantFormat,
		WillWords: s.Will, Signals: s.Signals,
	}
	parts := b.pattern(at+".pattern", s.Pattern)
	b.template(at+".station", s.Station, parts, names.Stations)
	b.template(at+".press", s.Press, parts, names.Presses)
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
func (b checker) topicPaths(at string, s Spec) {
	paths := map[string]string{
		"state": s.State, "instant": s.Instant, "technology": s.Technology, "boot": s.Boot,
		"sequence": s.Sequence, "lit_seconds": s.LitSeconds, "starts": s.Starts,
	}
	for _, name := range slices.Sorted(maps.Keys(s.Signals)) {
		p := s.Signals[name]
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
func (b checker) stationTopic(at string, s Spec, t *plant.Topic) {
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
func (b checker) pressTopic(at string, s Spec) {
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
func (b checker) counter(path string, c Counter) (plant.Quantity, *big.Rat) {
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
		b.reportf(path+".unit", strictyaml.Suggest(c.Unit, slices.Sorted(maps.Keys(units)), ""), "unknown unit %q", c.Unit)
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
	if m := c.modulus(factor); c.Modulus > 0 && m == 0 {
		b.report(path+".modulus", "not a whole number of "+u.quantity.String()+" units, or too large", "give the modulus in counts")
	}
	return u.quantity, factor
}

// modulus is where a counter starts again, in register units; 0 when it
// does not or when that is no whole number.
func (c Counter) modulus(factor *big.Rat) int64 {
	m := new(big.Rat).SetInt(new(big.Int).SetUint64(c.Modulus))
	m.Mul(m, factor)
	if !m.IsInt() || !m.Num().IsInt64() {
		return 0
	}
	return m.Num().Int64()
}

// Rules gives the limits of the counter's register. Its slack is one count, and a
// fall of up to two counts is taken for noise.
func (c Counter) Rules(t plant.TopicCounter, maxGap time.Duration) plant.Rules {
	factor := strictyaml.Decimal(t.Scale).Rat()
	count, _ := factor.Float64()
	slack := int64(math.Ceil(max(count, 1)))
	perHour := int64(defaultPerHour(t.Quantity) * t.Quantity.PerDisplay())
	if scale, _ := c.Scale.Rat().Float64(); c.MaxPerHour > 0 && scale > 0 {
		perHour = int64(math.Ceil(c.MaxPerHour * count / scale))
	}
	return plant.Rules{Modulus: c.modulus(factor), MaxPerHour: perHour, Slack: slack, Backstep: 2 * slack, MaxGap: maxGap}
}

// defaultPerHour is more than any press makes, in display units: 200 000 m² (a
// web of 2.5 m at 1300 m/min), 120 000 m (2000 m/min), a million impressions.
// Common practice, no source.
func defaultPerHour(q plant.Quantity) float64 {
	switch q {
	case plant.QuantityArea:
		return 200_000
	case plant.QuantityLength:
		return 120_000
	default:
		return 1_000_000
	}
}

// decimal writes an exact decimal without trailing zeros.
func decimal(r *big.Rat) string {
	const digits = 24
	return strings.TrimSuffix(strings.TrimRight(r.FloatString(digits), "0"), ".")
}
