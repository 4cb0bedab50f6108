package stationlink

import (
	"bytes"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
)

const (
	// MaxLate is how old a message may be when it arrives: what a station stored
	// while its network was away is taken as it is, older ones are refused.
	MaxLate = 7 * 24 * time.Hour
	// MaxPayload is the size of a message in bytes from which on it is refused.
	MaxPayload = 256 << 10

	maxBoot = 128 // bytes
)

// clockNeverSet is the time before which a device clock was never set.
var clockNeverSet = time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC)

// Age says what the arrival of a message tells about when it was published.
type Age uint8

// The ages of a message.
const (
	Fresh    Age = iota // the broker sends it for the first time
	Repeated            // the broker sends it again, because the acknowledgement did not reach it
	Retained            // the broker has kept it and sends it because of a subscription
)

// message is one message while it is mapped.
type message struct {
	topic    string
	payload  []byte
	arrived  time.Time // UTC, whole milliseconds
	age      Age
	facts    plant.Facts
	problems []string
}

func (in *message) problem(format string, args ...any) {
	in.problems = append(in.problems, fmt.Sprintf(format, args...))
}

// outcome gives what was taken, and all problems as one refusal.
func (in *message) outcome() plant.Facts {
	if len(in.problems) > 0 {
		in.facts.Refusals = append(in.facts.Refusals, plant.Refusal{
			At: in.arrived, Source: strings.ToValidUTF8(in.topic, "\uFFFD"), Reason: strings.Join(in.problems, "; "),
			Payload: bytes.Clone(in.payload[:min(len(in.payload), plant.MaxRefusalPayload)]),
		})
	}
	return in.facts
}

// Facts maps one message that came in at arrived.
//
// A status message gives one event and its signals, a message of a press gives
// readings and signals. What cannot be taken is named in one Refusal with its
// place and the remedy; a wrong signal or counter does not hold up the event.
// A retained message whose own instant is missing or not to be trusted gives
// nothing: it is old, and its arrival says nothing about when. Neither does a
// repeated one, unless boot and sequence tell that it is the same as before. An
// empty message gives nothing: it is how a retained one is deleted at the broker.
func (m *Mapper) Facts(topic string, payload []byte, arrived time.Time, age Age) plant.Facts {
	in := &message{topic: topic, payload: payload, arrived: arrived.UTC().Truncate(time.Millisecond), age: age}
	levels := strings.Split(topic, "/")
	mp, ok := m.find(levels)
	switch {
	case !ok:
		in.problem("no mapping has this topic — add it under topics, or stop sending it")
	case len(payload) == 0: // Source: MQTT 3.1.1 section 3.3.1.3
	case len(payload) > MaxPayload:
		in.problem("the message has %d bytes, expected at most %d — send only the status on this topic", len(payload), MaxPayload)
	case mp.press:
		id := plant.PressID(name(mp.owner, levels))
		if !m.presses[id] {
			in.problem("the topic names the press %q, which is not in the configuration — add it under presses, or correct press: in the mapping %s", short(string(id)), mp.pattern)
			break
		}
		mp.pressFacts(in, id, m.clockLimit)
	default:
		id := plant.StationID(name(mp.owner, levels))
		if !m.stations[id] {
			in.problem("the topic names the station %q, which is not in the configuration — add it under presses, or correct station: in the mapping %s", short(string(id)), mp.pattern)
			break
		}
		mp.stationFacts(in, id, m.clockLimit)
	}
	return in.outcome()
}

// document reads the payload; false when it is refused.
func (in *message) document() (any, bool) {
	root, err := parse(in.payload)
	if err != nil {
		in.problem("expected a JSON document: %v — correct the message", err)
	}
	return root, err == nil
}

func (mp *mapping) isWill(word string) bool { return slices.Contains(mp.wills, fold(word)) }

// stationFacts maps a status message.
func (mp *mapping) stationFacts(in *message, id plant.StationID, clockLimit time.Duration) {
	if mp.isWill(string(in.payload)) {
		mp.will(in, id, nil, clockLimit)
		return
	}
	root, ok := in.document()
	if !ok {
		return
	}
	if text, ok := root.(string); ok && mp.isWill(text) {
		mp.will(in, id, nil, clockLimit)
		return
	}
	v, _ := mp.state.in(root)
	said, ok := word(v)
	if !ok {
		in.problem("%s: expected a state word, got %s — correct the message, or the path state: in the mapping %s", mp.state, missingOr(v), mp.pattern)
		return
	}
	if mp.isWill(said) {
		mp.will(in, id, root, clockLimit)
		return
	}
	state, ok := mp.states[fold(said)]
	if !ok {
		in.problem("%s: unknown state word %s, expected one of %s — add the word under states of the mapping %s", mp.state, shown(said), mp.stateWords, mp.pattern)
		return
	}
	when, ok := mp.instantOf(in, root, clockLimit)
	if !ok {
		return
	}
	e := plant.StationEvent{Station: id, At: when.at, Arrived: in.arrived, State: state, ClockDistrusted: when.distrusted}
	if e.Boot, e.Sequence, ok = mp.identity(in, root, when.said); !ok {
		return
	}
	e.Technology = mp.technologyOf(in, root)
	e.LitMillis = mp.optional(in, root, mp.lit, "seconds", func(v any) (int64, error) { return scaled(v, big.NewRat(1000, 1)) })
	e.Starts = mp.optional(in, root, mp.starts, "starts", count)
	in.facts.Events = append(in.facts.Events, e)
	mp.signalFacts(in, root, string(id), e.At)
}

func missingOr(v any) string {
	if v == nil {
		return "nothing"
	}
	return shown(v)
}

// will takes the word that a station is gone. A broker publishes a last will
// when it happens, though its text was made when the station connected: so its
// arrival counts. One that is not fresh counts only by an instant of its own: its
// arrival would overwrite what the station has said since.
func (mp *mapping) will(in *message, id plant.StationID, root any, clockLimit time.Duration) {
	at, said := in.arrived, in.arrived
	if in.age != Fresh {
		in.age = Retained // a repeated one may be as old
		when, ok := mp.instantOf(in, root, clockLimit)
		if !ok || when.distrusted {
			return
		}
		at, said = when.at, when.said
	}
	in.facts.Events = append(in.facts.Events, plant.StationEvent{
		Station: id, At: at, Arrived: in.arrived, State: plant.StateUnknown, Sequence: said.UnixMilli(),
		LitMillis: -1, Starts: -1, LastWill: true,
	})
}

// instant is when a message holds from.
type instant struct {
	at time.Time
	// said is what the message itself says, which does not change when it is sent
	// again; the arrival where it says nothing to be trusted.
	said       time.Time
	distrusted bool // the device's clock is ahead by more than the limit, or was never set
}

// instantOf says when the message holds from. It is false when nothing may be
// taken: the instant is refused, or the message is not fresh and says nothing to be
// trusted about when.
//
// Nothing arrives before it happens: a device whose clock is ahead, by however
// little, is taken at the arrival. So no event ever stands in the future of the
// clock that stamps the readings, and when the device's clock is put right, its
// next events do not stand before its last ones.
func (mp *mapping) instantOf(in *message, root any, clockLimit time.Duration) (when instant, ok bool) {
	arrival := instant{at: in.arrived, said: in.arrived}
	v, found := mp.instant.in(root)
	if !found {
		return arrival, mp.arrivalCounts(in)
	}
	at, expected := parseInstant(v, mp.format)
	if expected != "" {
		in.problem("%s: expected %s, got %s — correct the message, or instant_format of the mapping %s", mp.instant, expected, shown(v), mp.pattern)
		return arrival, false
	}
	switch {
	case at.Before(clockNeverSet), at.After(in.arrived.Add(clockLimit)):
		arrival.distrusted = true
		return arrival, mp.arrivalCounts(in)
	case at.Before(in.arrived.Add(-MaxLate)):
		// A kept message of a station that rests for long is no mistake.
		if in.age != Retained {
			in.problem("%s: %s is more than %d days before the arrival — set the clock of the device", mp.instant, at.Format(time.RFC3339), MaxLate/(24*time.Hour))
		}
		return arrival, false
	case at.After(in.arrived):
		// A value of a press that comes again has nothing else to be known by.
		return instant{at: in.arrived, said: at}, in.age == Fresh || !mp.press
	}
	return instant{at: at, said: at}, true
}

// arrivalCounts says whether the arrival may stand for the instant: for a fresh
// message, and for a repeated one that is known by its boot and sequence.
func (mp *mapping) arrivalCounts(in *message) bool {
	return in.age == Fresh || in.age == Repeated && mp.boot != nil && mp.sequence != nil
}

// parseInstant reads an instant, cut to whole milliseconds; expected says what it
// should have been.
func parseInstant(v any, format string) (at time.Time, expected string) {
	var factor int64
	switch format {
	case "unix_seconds":
		factor, expected = 1000, "seconds since 1970"
	case "unix_millis":
		factor, expected = 1, "milliseconds since 1970"
	default:
		text, ok := v.(string)
		at, err := time.Parse(time.RFC3339, strings.TrimSpace(text))
		if !ok || err != nil {
			return at, "a time by RFC 3339, for example 2026-11-24T06:00:00Z"
		}
		return at.UTC().Truncate(time.Millisecond), ""
	}
	r, err := rational(v)
	if err != nil {
		return at, expected
	}
	r.Mul(r, new(big.Rat).SetInt64(factor))
	millis := new(big.Int).Div(r.Num(), r.Denom()) // down, also before 1970
	const year10000 = 253_402_300_800_000
	if !millis.IsInt64() || millis.Int64() >= year10000 || millis.Int64() < -year10000 {
		return at, expected + " within four-digit years"
	}
	return time.UnixMilli(millis.Int64()).UTC(), ""
}

// identity gives what makes the message unique at its origin.
func (mp *mapping) identity(in *message, root any, at time.Time) (boot string, sequence int64, ok bool) {
	if mp.boot == nil || mp.sequence == nil {
		return "", at.UnixMilli(), true
	}
	v, _ := mp.boot.in(root)
	boot, ok = word(v)
	if !ok || boot == "" || boot == plant.BootInferred || len(boot) > maxBoot || strings.ContainsRune(boot, 0) {
		in.problem("%s: expected the boot id, a text of 1 to %d characters, got %s — correct the message, or the path boot: in the mapping %s", mp.boot, maxBoot, missingOr(v), mp.pattern)
		ok = false
	}
	v, _ = mp.sequence.in(root)
	sequence, err := count(v)
	if err != nil {
		in.problem("%s: %v as the sequence number, got %s — correct the message, or the path sequence: in the mapping %s", mp.sequence, err, missingOr(v), mp.pattern)
		ok = false
	}
	return boot, sequence, ok
}

// technologyOf gives the light source in use when the message says so; a word
// that means nothing leaves it to the configuration.
func (mp *mapping) technologyOf(in *message, root any) plant.Technology {
	v, found := mp.technology.in(root)
	if !found {
		return plant.TechnologyNone
	}
	said, ok := word(v)
	k, known := mp.technologies[fold(said)]
	if !ok || !known && fold(said) != "" {
		in.problem("%s: unknown technology word %s — add it under technologies of the mapping %s", mp.technology, shown(v), mp.pattern)
	}
	return k
}

// optional gives a counter, or -1 when it is absent or wrong.
func (mp *mapping) optional(in *message, root any, p path, unit string, read func(any) (int64, error)) int64 {
	v, found := p.in(root)
	if !found {
		return -1
	}
	n, err := read(v)
	if err != nil {
		in.problem("%s: %v (%s), got %s — correct the message, or the path in the mapping %s", p, err, unit, shown(v), mp.pattern)
		return -1
	}
	return n
}

// signalFacts takes the signals that are there and says how many.
func (mp *mapping) signalFacts(in *message, root any, subject string, at time.Time) (found int) {
	for _, s := range mp.signals {
		v, ok := s.path.in(root)
		if !ok {
			continue
		}
		found++
		f, err := finite(v)
		if err != nil {
			in.problem("%s: %v for the signal %s, got %s — correct the message, or the path in the mapping %s", s.path, err, s.name, shown(v), mp.pattern)
			continue
		}
		in.facts.Signals = append(in.facts.Signals, plant.Signal{Subject: subject, Name: s.name, At: at, Value: f})
	}
	return found
}

// pressFacts maps a message of a press.
func (mp *mapping) pressFacts(in *message, id plant.PressID, clockLimit time.Duration) {
	root, ok := in.document()
	if !ok {
		return
	}
	when, ok := mp.instantOf(in, root, clockLimit)
	if !ok {
		return
	}
	at := when.at
	found := mp.signalFacts(in, root, string(id), at)
	for _, c := range mp.counters {
		v, ok := c.path.in(root)
		if !ok {
			continue
		}
		found++
		n, err := scaled(v, c.scale)
		if err != nil {
			in.problem("%s: %v for the counter %s, got %s — correct the message, or the path in the mapping %s", c.path, err, c.name, shown(v), mp.pattern)
			continue
		}
		in.facts.Readings = append(in.facts.Readings, plant.Reading{Register: plant.RegisterOf(id, c.name), At: at, Value: n})
	}
	if found == 0 {
		in.problem("the message has none of the counters and signals — correct the message, or the paths in the mapping %s", mp.pattern)
	}
}
