package stationlink

import (
	"errors"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
)

// Mapper turns messages into facts by the topics of a plant. It holds no state
// that changes and may be used by several goroutines.
type Mapper struct {
	mappings   []mapping
	stations   map[plant.StationID]bool
	presses    map[plant.PressID]bool
	clockLimit time.Duration
}

// mapping is one topic of the configuration, made ready.
type mapping struct {
	pattern string
	levels  []string // of the subscription filter: plain text, + or a last #
	owner   []piece  // template of the station's or press's name
	press   bool     // messages of a press

	state, instant, technology, boot, sequence, lit, starts path

	format       string
	states       map[string]plant.State // by folded word
	stateWords   string                 // for a person
	technologies map[string]plant.Technology
	wills        []string // folded
	signals      []signal
	counters     []counter
}

// piece is a part of a name template: fixed text, or a level of the topic.
type piece struct {
	text  string
	level int // -1 for text
}

type signal struct {
	name string
	path path
}

type counter struct {
	name  string
	path  path
	scale *big.Rat
}

// NewMapper makes the topics of a plant ready. It fails on what the check of the
// configuration refuses, such as a template that uses an unknown part, and on
// words that differ in nothing but their case and mean different states.
func NewMapper(p *plant.Plant) (*Mapper, error) {
	m := &Mapper{stations: map[plant.StationID]bool{}, presses: map[plant.PressID]bool{}, clockLimit: p.ClockLimit}
	for _, pr := range p.Presses {
		m.presses[pr.ID] = true
		for _, s := range pr.Stations {
			m.stations[s.ID] = true
		}
	}
	for i, t := range p.Topics {
		mp, err := newMapping(t)
		if err != nil {
			return nil, fmt.Errorf("topics[%d] (%s): %w", i, t.Pattern, err)
		}
		m.mappings = append(m.mappings, mp)
	}
	return m, nil
}

func newMapping(t plant.Topic) (mapping, error) {
	mp := mapping{
		pattern: t.Pattern, press: t.Station == "", format: t.InstantFormat,
		state: newPath(t.State), instant: newPath(t.Instant), technology: newPath(t.Technology), boot: newPath(t.Boot),
		sequence: newPath(t.Sequence), lit: newPath(t.LitSeconds), starts: newPath(t.Starts),
	}
	if (t.Station == "") == (t.Press == "") {
		return mp, errors.New("expected either a station or a press — give one of the two templates")
	}
	parts, err := mp.readPattern(t.Pattern)
	if err != nil {
		return mp, err
	}
	if mp.owner, err = template(t.Station+t.Press, parts); err != nil {
		return mp, err
	}
	if t.Instant != "" && !slices.Contains([]string{"rfc3339", "unix_seconds", "unix_millis"}, t.InstantFormat) {
		return mp, fmt.Errorf("instant format %q — write rfc3339, unix_seconds or unix_millis", t.InstantFormat)
	}
	if err := mp.readWords(t); err != nil {
		return mp, err
	}
	for _, name := range slices.Sorted(maps.Keys(t.Signals)) {
		mp.signals = append(mp.signals, signal{name, newPath(t.Signals[name])})
	}
	for _, name := range slices.Sorted(maps.Keys(t.Counters)) {
		c := t.Counters[name]
		scale := big.NewRat(1, 1)
		if c.Scale != "" {
			var ok bool
			if scale, ok = new(big.Rat).SetString(c.Scale); !ok || scale.Sign() <= 0 {
				return mp, fmt.Errorf("counter %s: scale %q — write a decimal greater than 0", name, c.Scale)
			}
		}
		mp.counters = append(mp.counters, counter{name, newPath(c.Path), scale})
	}
	return mp, nil
}

// readPattern cuts the pattern into the levels of a subscription filter and
// gives the level of each named part. + and a last # mean what they mean to a
// broker.
func (mp *mapping) readPattern(pattern string) (map[string]int, error) {
	parts := map[string]int{}
	mp.levels = strings.Split(pattern, "/")
	for i, level := range mp.levels {
		name, opened := strings.CutPrefix(level, "{")
		name, closed := strings.CutSuffix(name, "}")
		switch {
		case opened && closed && name != "" && !strings.ContainsAny(name, "{}"):
			if _, double := parts[name]; double {
				return nil, fmt.Errorf("the part {%s} is there twice — name each part once", name)
			}
			parts[name] = i
			mp.levels[i] = "+"
		case level == "+", level == "#" && i == len(mp.levels)-1:
		case pattern == "" || strings.ContainsAny(level, "{}+#\x00"):
			return nil, fmt.Errorf("the level %q is not plain text or one named part — write for example press/{press}/{n}/status", level)
		}
	}
	return parts, nil
}

// template cuts a name template into its pieces.
func template(text string, parts map[string]int) ([]piece, error) {
	var pieces []piece
	for rest := text; rest != ""; {
		before, after, found := strings.Cut(rest, "{")
		if before != "" {
			pieces = append(pieces, piece{before, -1})
		}
		if !found {
			break
		}
		part, after, closed := strings.Cut(after, "}")
		level, known := parts[part]
		if !closed || !known {
			return nil, fmt.Errorf("the template %q uses {%s}, which the pattern does not have — add the part to the pattern", text, part)
		}
		pieces = append(pieces, piece{"", level})
		rest = after
	}
	return pieces, nil
}

// readWords makes the words comparable; without words of its own a message uses
// those of the states and technologies.
func (mp *mapping) readWords(t plant.Topic) error {
	states := t.StateWords
	if len(states) == 0 {
		states = map[string]plant.State{}
		for _, s := range plant.States() {
			states[s.String()] = s
		}
	}
	technologies := t.TechnologyWords
	if len(technologies) == 0 {
		technologies = map[string]plant.Technology{}
		for _, k := range []plant.Technology{plant.TechnologyArc, plant.TechnologyLED, plant.TechnologyHotAir} {
			technologies[k.String()] = k
		}
	}
	var err error
	if mp.states, err = folded(states); err != nil {
		return fmt.Errorf("states: %w", err)
	}
	if mp.technologies, err = folded(technologies); err != nil {
		return fmt.Errorf("technologies: %w", err)
	}
	for _, w := range t.WillWords {
		mp.wills = append(mp.wills, fold(w))
	}
	mp.stateWords = strings.Join(slices.Sorted(maps.Keys(mp.states)), ", ")
	return nil
}

// folded makes a table of words comparable.
func folded[M plant.State | plant.Technology](words map[string]M) (map[string]M, error) {
	out := map[string]M{}
	for _, w := range slices.Sorted(maps.Keys(words)) {
		if other, double := out[fold(w)]; double && other != words[w] {
			return nil, fmt.Errorf("the word %q has two meanings — case makes no difference, choose one", w)
		}
		out[fold(w)] = words[w]
	}
	return out, nil
}

// Filters lists the subscription filters that bring all mapped topics, each
// once.
func (m *Mapper) Filters() []string {
	var all []string
	for _, mp := range m.mappings {
		if f := strings.Join(mp.levels, "/"); !slices.Contains(all, f) {
			all = append(all, f)
		}
	}
	return all
}

// Covers says whether a mapping has the topic.
func (m *Mapper) Covers(topic string) bool {
	_, ok := m.find(strings.Split(topic, "/"))
	return ok
}

// find gives the first mapping of the configuration that has the topic.
func (m *Mapper) find(levels []string) (*mapping, bool) {
	for i := range m.mappings {
		if matches(m.mappings[i].levels, levels) {
			return &m.mappings[i], true
		}
	}
	return nil, false
}

// matches says whether a filter has a topic. Source: MQTT 3.1.1 section 4.7: a #
// also has its parent level, and no filter that begins with a wildcard has the
// topics of the broker itself, which begin with $.
func matches(filter, topic []string) bool {
	if strings.HasPrefix(topic[0], "$") && (filter[0] == "+" || filter[0] == "#") {
		return false
	}
	for i, level := range filter {
		switch {
		case level == "#":
			return true
		case i >= len(topic) || level != "+" && level != topic[i]:
			return false
		}
	}
	return len(filter) == len(topic)
}

// name puts the levels of a topic into the template.
func name(template []piece, levels []string) string {
	var b strings.Builder
	for _, p := range template {
		if p.level < 0 {
			b.WriteString(p.text)
		} else {
			b.WriteString(levels[p.level])
		}
	}
	return b.String()
}
