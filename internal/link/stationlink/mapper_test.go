package stationlink

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"curetally/internal/core/plant"
)

var (
	arrived = time.Date(2026, 11, 24, 6, 0, 2, 345_678_901, time.FixedZone("plant", 3600))
	cut     = time.Date(2026, 11, 24, 5, 0, 2, 345_000_000, time.UTC)
)

// aPlant is press Heron of Alder Lane Labels with two stations and the mappings
// given, or those that the demo uses.
func aPlant(topics ...plant.Topic) *plant.Plant {
	if topics == nil {
		topics = []plant.Topic{statusTopic(), pressTopic()}
	}
	return &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: time.UTC, ClockLimit: 2 * time.Minute,
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1", Press: "heron"}, {ID: "heron-2", Press: "heron"}}}},
		Topics:  topics,
	}
}

func statusTopic() plant.Topic {
	return plant.Topic{
		Pattern: "alder/{press}/{n}/status", Station: "{press}-{n}", State: "state", Instant: "ts", InstantFormat: "rfc3339",
		Technology: "source", Boot: "boot", Sequence: "seq", LitSeconds: "counters.lit_s", Starts: "counters.starts",
		WillWords: []string{"Offline"}, Signals: map[string]string{"lamp_power_percent": "power_pct", "housing_celsius": "housing_c"},
	}
}

// plainTopic is a mapping without boot and sequence.
func plainTopic() plant.Topic {
	t := statusTopic()
	t.Boot, t.Sequence = "", ""
	return t
}

func pressTopic() plant.Topic {
	return plant.Topic{
		Pattern: "alder/{press}/press", Press: "{press}", Instant: "ts", InstantFormat: "rfc3339",
		Signals: map[string]string{"speed_metres_per_minute": "speed_m_min"},
		Counters: map[string]plant.TopicCounter{
			"area":   {Path: "area_m2", Quantity: plant.QuantityArea, Scale: "10000"},
			"length": {Path: "length_m", Quantity: plant.QuantityLength, Scale: "1000"},
		},
	}
}

func mapper(t testing.TB, p *plant.Plant) *Mapper {
	t.Helper()
	m, err := NewMapper(p)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

const statusAt = "alder/heron/1/status"

func at(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

// want compares facts but for the reasons of refusals, which must hold the given
// texts.
func want(t *testing.T, got, expected plant.Facts, reasons ...string) {
	t.Helper()
	var given string
	if len(got.Refusals) > 0 {
		given = got.Refusals[0].Reason
	}
	if (len(reasons) > 0) != (len(got.Refusals) == 1) {
		t.Errorf("refusals: %+v", got.Refusals)
	}
	for _, r := range reasons {
		if !strings.Contains(given, r) {
			t.Errorf("reason %q does not say %q", given, r)
		}
	}
	if len(reasons) > 0 && !strings.Contains(given, " — ") {
		t.Errorf("reason %q has no remedy", given)
	}
	got.Refusals = nil
	if d := cmp.Diff(expected, got); d != "" {
		t.Errorf("facts (-expected +got):\n%s", d)
	}
}

func event(change func(*plant.StationEvent)) plant.Facts {
	e := plant.StationEvent{
		Station: "heron-1", At: at("2026-11-24T05:00:01.250Z"), Arrived: cut, State: plant.StateCuring,
		Boot: "b7", Sequence: 12, LitMillis: -1, Starts: -1,
	}
	if change != nil {
		change(&e)
	}
	return plant.Facts{Events: []plant.StationEvent{e}}
}

// TestFacts_WholeMessage maps a message of the form that the demo's stations send.
func TestFacts_WholeMessage(t *testing.T) {
	m := mapper(t, aPlant())
	payload := `{"ts":"2026-11-24T05:00:01.250Z","boot":"b7","seq":12,"state":"curing","source":"led","counters":{"lit_s":3600.0015,"starts":41},"power_pct":80,"housing_c":41.5}`
	expected := event(func(e *plant.StationEvent) {
		e.Technology, e.LitMillis, e.Starts = plant.TechnologyLED, 3_600_001, 41
	})
	expected.Signals = []plant.Signal{
		{Subject: "heron-1", Name: "housing_celsius", At: at("2026-11-24T05:00:01.250Z"), Value: 41.5},
		{Subject: "heron-1", Name: "lamp_power_percent", At: at("2026-11-24T05:00:01.250Z"), Value: 80},
	}
	want(t, m.Facts(statusAt, []byte(payload), arrived, Fresh), expected)
	// Repeated or retained, it has the same keys.
	again := m.Facts(statusAt, []byte(payload), arrived.Add(time.Hour), Retained)
	again.Events[0].Arrived = cut
	want(t, again, expected)
}

// TestFacts_Stations: what is wrong with a status message, and what is taken.
func TestFacts_Stations(t *testing.T) {
	m := mapper(t, aPlant())
	const head = `{"ts":"2026-11-24T05:00:01.250Z","boot":"b7","seq":12,"state":"curing"`
	none := plant.Facts{}
	signals := func(f plant.Facts, s ...plant.Signal) plant.Facts {
		f.Signals = s
		return f
	}
	power := plant.Signal{Subject: "heron-1", Name: "lamp_power_percent", At: at("2026-11-24T05:00:01.250Z"), Value: 80}
	for _, c := range []struct {
		name, topic, payload string
		expected             plant.Facts
		reasons              []string
	}{
		{"no optional values", statusAt, head + `}`, event(nil), nil},
		{"null is absent", statusAt, head + `,"source":null,"counters":null,"power_pct":null}`, event(nil), nil},
		{"unknown station", "alder/heron/9/status", head + `}`, none, []string{`"heron-9"`, "add it under presses"}},
		{"no part", "alder/heron//status", head + `}`, none, []string{`"heron-"`}},
		{"unmapped topic", "alder/heron/1/other", head + `}`, none, []string{"no mapping has this topic"}},
		{"empty", statusAt, ``, none, nil},
		{"not JSON", statusAt, `curing`, none, []string{"expected a JSON document"}},
		{"cut off", statusAt, head, none, []string{"expected a JSON document"}},
		{"two documents", statusAt, head + `} {}`, none, []string{"text after the document"}},
		{"a list", statusAt, `[1,2]`, none, []string{"state: expected a state word, got nothing"}},
		{"no state", statusAt, `{"boot":"b7","seq":1}`, none, []string{"state: expected a state word, got nothing"}},
		{"state is an object", statusAt, `{"state":{}}`, none, []string{"got an object"}},
		{"unknown word", statusAt, `{"state":"purge","boot":"b7","seq":1}`, none, []string{`"purge"`, "cooling, curing", "under states"}},
		{"no boot", statusAt, `{"state":"curing","seq":1}`, none, []string{"boot: expected the boot id", "got nothing"}},
		{"empty boot", statusAt, `{"state":"curing","boot":"","seq":1}`, none, []string{"boot: "}},
		{"neither boot nor sequence", statusAt, `{"state":"curing"}`, none, []string{"boot: ", "seq: ", "; "}},
		{"sequence is text", statusAt, `{"state":"curing","boot":"b7","seq":"12"}`, none, []string{"seq: expected a number", `"12"`}},
		{"negative sequence", statusAt, `{"state":"curing","boot":"b7","seq":-1}`, none, []string{"expected a whole number"}},
		{"sequence too large", statusAt, `{"state":"curing","boot":"b7","seq":9223372036854775808}`, none, []string{"too large"}},
		{"vast exponent", statusAt, `{"state":"curing","boot":"b7","seq":1e999999999}`, none, []string{"too large"}},
		{"number as boot", statusAt, `{"ts":"2026-11-24T05:00:01.250Z","boot":77,"seq":12.0,"state":"CURING "}`, event(func(e *plant.StationEvent) { e.Boot = "77" }), nil},
		{"negative lit time", statusAt, head + `,"counters":{"lit_s":-0.5,"starts":3}}`, event(func(e *plant.StationEvent) { e.Starts = 3 }), []string{"counters.lit_s: expected a number of 0 or more (seconds)", "-0.5"}},
		{"lit time is text", statusAt, head + `,"counters":{"lit_s":"12"}}`, event(nil), []string{"counters.lit_s: expected a number"}},
		{"lit time too large", statusAt, head + `,"counters":{"lit_s":1e30}}`, event(nil), []string{"counters.lit_s: the number is too large"}},
		{"half a start", statusAt, head + `,"counters":{"starts":0.5}}`, event(nil), []string{"counters.starts: expected a whole number"}},
		{"counters are a list", statusAt, head + `,"counters":[1]}`, event(nil), nil},
		{"unknown technology", statusAt, head + `,"source":"xenon"}`, event(nil), []string{"source: unknown technology word", "under technologies"}},
		{"no technology", statusAt, head + `,"source":""}`, event(nil), nil},
		{"bad signal", statusAt, head + `,"power_pct":80,"housing_c":"warm"}`, signals(event(nil), power), []string{"housing_c: expected a number", "housing_celsius"}},
		{"endless signal", statusAt, head + `,"power_pct":80,"housing_c":1e400}`, signals(event(nil), power), []string{"housing_c: the number is too large"}},
		{"all at once", statusAt, head + `,"source":1,"counters":{"lit_s":true,"starts":[]},"power_pct":{}}`, event(nil), []string{"source: ", "counters.lit_s: ", "counters.starts: ", "power_pct: "}},
	} {
		t.Run(c.name, func(t *testing.T) {
			want(t, m.Facts(c.topic, []byte(c.payload), arrived, Fresh), c.expected, c.reasons...)
		})
	}
}

// TestFacts_RefusalIsBounded: the payload that is kept has a limit, and so has
// the message.
func TestFacts_RefusalIsBounded(t *testing.T) {
	m := mapper(t, aPlant())
	payload := []byte(strings.Repeat("x", MaxPayload+1))
	f := m.Facts(statusAt, payload, arrived, Fresh)
	want(t, f, plant.Facts{}, "262145 bytes")
	f = m.Facts(statusAt, payload[:5000], arrived, Fresh)
	want(t, f, plant.Facts{}, "expected a JSON document")
	r := f.Refusals[0]
	if len(r.Payload) != plant.MaxRefusalPayload || r.Source != statusAt || !r.At.Equal(cut) {
		t.Errorf("refusal with %d bytes of %s at %s", len(r.Payload), r.Source, r.At)
	}
	payload[0] = 'y'
	if r.Payload[0] != 'x' {
		t.Error("the refusal shares the memory of the message")
	}
}

// TestFacts_Instants: which instants are taken, with and without boot and
// sequence, live and retained.
func TestFacts_Instants(t *testing.T) {
	format := func(f string) plant.Topic {
		p := plainTopic()
		p.InstantFormat = f
		return p
	}
	const refused, nothing = "refused", "nothing"
	for _, c := range []struct {
		name, format, ts string
		live, retained   string // the instant taken; "" for the arrival, distrusted
		reason           string
	}{
		{"plain", "rfc3339", `"2026-11-24T05:00:01.2509Z"`, "2026-11-24T05:00:01.250Z", "2026-11-24T05:00:01.250Z", ""},
		{"offset", "rfc3339", `"2026-11-24T06:00:01+01:00"`, "2026-11-24T05:00:01Z", "2026-11-24T05:00:01Z", ""},
		{"at the limit", "rfc3339", `"2026-11-24T05:02:02.345Z"`, "2026-11-24T05:02:02.345Z", "2026-11-24T05:02:02.345Z", ""},
		{"ahead of the limit", "rfc3339", `"2026-11-24T05:02:02.346Z"`, "", nothing, ""},
		{"next year", "rfc3339", `"2027-11-24T05:00:00Z"`, "", nothing, ""},
		{"never set", "rfc3339", `"1970-01-01T00:00:05Z"`, "", nothing, ""},
		{"just never set", "rfc3339", `"2014-12-31T23:59:59.999Z"`, "", nothing, ""},
		{"a week late", "rfc3339", `"2026-11-17T05:00:02.345Z"`, "2026-11-17T05:00:02.345Z", "2026-11-17T05:00:02.345Z", ""},
		{"more than a week late", "rfc3339", `"2026-11-17T05:00:02.344Z"`, refused, nothing, "more than 7 days before"},
		{"2015", "rfc3339", `"2015-01-01T00:00:00Z"`, refused, nothing, "more than 7 days before"},
		{"no instant", "rfc3339", `"24.11.2026 06:00"`, refused, refused, "ts: expected a time by RFC 3339"},
		{"number for text", "rfc3339", `1795496401`, refused, refused, "ts: expected a time by RFC 3339, for example 2026-11-24T06:00:00Z, got 1795496401"},
		{"seconds", "unix_seconds", `1795496401`, "2026-11-24T05:00:01Z", "2026-11-24T05:00:01Z", ""},
		{"broken seconds", "unix_seconds", `1795496401.2509`, "2026-11-24T05:00:01.250Z", "2026-11-24T05:00:01.250Z", ""},
		{"before 1970", "unix_seconds", `-0.0001`, "", nothing, ""},
		{"milliseconds for seconds", "unix_seconds", `1795496401250`, refused, refused, "within four-digit years"},
		{"text for seconds", "unix_seconds", `"1795496401"`, refused, refused, "ts: expected seconds since 1970"},
		{"milliseconds", "unix_millis", `1795496401250`, "2026-11-24T05:00:01.250Z", "2026-11-24T05:00:01.250Z", ""},
		{"vast", "unix_millis", `1e39`, refused, refused, "within four-digit years"},
		{"seconds for milliseconds", "unix_millis", `1795496401`, "", nothing, ""},
	} {
		for _, age := range []Age{Fresh, Repeated, Retained} {
			for _, identified := range []bool{false, true} {
				topic := format(c.format)
				if identified {
					topic.Boot, topic.Sequence = "boot", "seq"
				}
				m := mapper(t, aPlant(topic))
				f := m.Facts(statusAt, []byte(`{"ts":`+c.ts+`,"state":"curing","boot":"b7","seq":12,"power_pct":1}`), arrived, age)
				says := c.live
				switch {
				case age == Retained:
					says = c.retained
				case age == Repeated && says == "" && !identified:
					says = nothing // nobody knows whether it counted before
				}
				if says == refused {
					want(t, f, plant.Facts{}, c.reason)
					continue
				}
				if says == nothing {
					want(t, f, plant.Facts{})
					continue
				}
				said := cut
				if says != "" {
					said = at(says)
				}
				instant := said
				if instant.After(cut) {
					instant = cut // nothing arrives before it happens
				}
				expected := event(func(e *plant.StationEvent) {
					e.At, e.ClockDistrusted = instant, says == ""
					if !identified {
						e.Boot, e.Sequence = "", said.UnixMilli()
					}
				})
				expected.Signals = []plant.Signal{{Subject: "heron-1", Name: "lamp_power_percent", At: instant, Value: 1}}
				t.Run(c.name, func(t *testing.T) { want(t, f, expected) })
			}
		}
	}
}

// TestFacts_NoInstant: a fresh message without an instant is of its arrival.
func TestFacts_NoInstant(t *testing.T) {
	for _, payload := range []string{`{"state":"curing"}`, `{"state":"curing","ts":null}`} {
		m := mapper(t, aPlant(plainTopic()))
		expected := event(func(e *plant.StationEvent) { e.At, e.Boot, e.Sequence = cut, "", cut.UnixMilli() })
		want(t, m.Facts(statusAt, []byte(payload), arrived, Fresh), expected)
		want(t, m.Facts(statusAt, []byte(payload), arrived, Repeated), plant.Facts{})
		want(t, m.Facts(statusAt, []byte(payload), arrived, Retained), plant.Facts{})
	}
}

// TestFacts_Will: the words that mean gone, as the whole text or as the state.
func TestFacts_Will(t *testing.T) {
	gone := func(at time.Time) plant.Facts {
		return plant.Facts{Events: []plant.StationEvent{{
			Station: "heron-1", At: at, Arrived: cut, State: plant.StateUnknown, Sequence: at.UnixMilli(),
			LitMillis: -1, Starts: -1, LastWill: true,
		}}}
	}
	m := mapper(t, aPlant())
	connected := at("2026-11-24T04:00:00Z")
	for _, c := range []struct {
		payload        string
		live, retained plant.Facts
	}{
		{"offline", gone(cut), plant.Facts{}},
		{" OFFLINE\n", gone(cut), plant.Facts{}},
		{`"offline"`, gone(cut), plant.Facts{}},
		{`{"state":"offline"}`, gone(cut), plant.Facts{}},
		// The instant of a will is that of the connection, so a live one counts
		// when it comes in.
		{`{"state":"offline","ts":"2026-11-24T04:00:00Z","boot":"b7","seq":12}`, gone(cut), gone(connected)},
		{`{"state":"offline","ts":"2030-01-01T00:00:00Z"}`, gone(cut), plant.Facts{}},
	} {
		t.Run(c.payload, func(t *testing.T) {
			want(t, m.Facts(statusAt, []byte(c.payload), arrived, Fresh), c.live)
			want(t, m.Facts(statusAt, []byte(c.payload), arrived, Repeated), c.retained)
			want(t, m.Facts(statusAt, []byte(c.payload), arrived, Retained), c.retained)
		})
	}
}

// TestFacts_Words: words are compared without case; numbers and truth values are
// words too; items of lists are counted from 0.
func TestFacts_Words(t *testing.T) {
	topic := plainTopic()
	topic.State = "lamps.1.mode"
	topic.StateWords = map[string]plant.State{"Run": plant.StateCuring, "7": plant.StateFault, "true": plant.StateStandby}
	topic.TechnologyWords = map[string]plant.Technology{"Hg": plant.TechnologyArc}
	m := mapper(t, aPlant(topic))
	for said, state := range map[string]plant.State{`"run"`: plant.StateCuring, `" RUN "`: plant.StateCuring, `7`: plant.StateFault, `"7"`: plant.StateFault, `true`: plant.StateStandby} {
		payload := `{"ts":"2026-11-24T05:00:01.250Z","source":"HG","lamps":[{"mode":"x"},{"mode":` + said + `}]}`
		want(t, m.Facts(statusAt, []byte(payload), arrived, Fresh), event(func(e *plant.StationEvent) {
			e.State, e.Technology, e.Boot, e.Sequence = state, plant.TechnologyArc, "", e.At.UnixMilli()
		}))
	}
	for _, payload := range []string{`{"lamps":[1]}`, `{"lamps":[1,2]}`, `{"lamps":{"1":{"mode":"x"}}}`} {
		want(t, m.Facts(statusAt, []byte(payload), arrived, Fresh), plant.Facts{}, "lamps.1.mode: ")
	}
}

// TestFacts_Press: counters of a press become readings, exactly.
func TestFacts_Press(t *testing.T) {
	m := mapper(t, aPlant())
	const press = "alder/heron/press"
	instant := at("2026-11-24T05:00:01.250Z")
	area := plant.Reading{Register: "heron/area", At: instant}
	length := plant.Reading{Register: "heron/length", At: instant}
	value := func(r plant.Reading, v int64) plant.Reading {
		r.Value = v
		return r
	}
	speed := []plant.Signal{{Subject: "heron", Name: "speed_metres_per_minute", At: instant, Value: 81.25}}
	const head = `{"ts":"2026-11-24T05:00:01.250Z"`
	for _, c := range []struct {
		name, topic, payload string
		expected             plant.Facts
		reasons              []string
	}{
		{"whole", press, head + `,"speed_m_min":81.25,"area_m2":123456789.0123,"length_m":4.2}`, plant.Facts{Readings: []plant.Reading{value(area, 1_234_567_890_123), value(length, 4200)}, Signals: speed}, nil},
		{"parts of a unit", press, head + `,"area_m2":0.00019,"length_m":0.9999}`, plant.Facts{Readings: []plant.Reading{value(area, 1), value(length, 999)}}, nil},
		{"some", press, head + `,"length_m":1}`, plant.Facts{Readings: []plant.Reading{value(length, 1000)}}, nil},
		{"negative", press, head + `,"area_m2":-1,"length_m":1}`, plant.Facts{Readings: []plant.Reading{value(length, 1000)}}, []string{"area_m2: expected a number of 0 or more", "counter area"}},
		{"too large", press, head + `,"area_m2":1e16,"speed_m_min":81.25}`, plant.Facts{Signals: speed}, []string{"area_m2: the number is too large"}},
		{"text", press, head + `,"area_m2":"1"}`, plant.Facts{}, []string{"area_m2: expected a number"}},
		{"nothing", press, head + `}`, plant.Facts{}, []string{"none of the counters and signals"}},
		{"bad instant", press, `{"ts":true,"length_m":1}`, plant.Facts{}, []string{"ts: expected a time"}},
		{"not JSON", press, `{`, plant.Facts{}, []string{"expected a JSON document"}},
		{"unknown press", "alder/osprey/press", head + `,"length_m":1}`, plant.Facts{}, []string{`"osprey"`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			want(t, m.Facts(c.topic, []byte(c.payload), arrived, Fresh), c.expected, c.reasons...)
		})
	}
	want(t, m.Facts(press, []byte(`{"length_m":1}`), arrived, Retained), plant.Facts{})
	length.At = cut
	want(t, m.Facts(press, []byte(`{"length_m":1}`), arrived, Fresh), plant.Facts{Readings: []plant.Reading{value(length, 1000)}})
}

// Source: the examples of MQTT 3.1.1 sections 4.7.1 and 4.7.2.
func TestMatches(t *testing.T) {
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"#", "a/b/c", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/monitor", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/monitor", true},
		{"Sport", "sport", false},
		{"a/b/c", "a/b", false},
	} {
		if got := matches(strings.Split(c.filter, "/"), strings.Split(c.topic, "/")); got != c.want {
			t.Errorf("%s has %s: %v", c.filter, c.topic, got)
		}
	}
}

// TestFilters: parts become wildcards, equal filters are subscribed to once, and
// the first mapping that has a topic counts.
func TestFilters(t *testing.T) {
	second := plainTopic()
	second.Pattern, second.Station = "alder/{a}/{b}/status", "{a}-{b}"
	deep := plainTopic()
	deep.Pattern, deep.Station = "lab/+/{station}/#", "{station}"
	m := mapper(t, aPlant(statusTopic(), second, deep))
	if got := m.Filters(); !slices.Equal(got, []string{"alder/+/+/status", "lab/+/+/#"}) {
		t.Errorf("filters %q", got)
	}
	if !m.Covers("lab/x/heron-1") || m.Covers("lab/x") || m.Covers("alder/heron/status") {
		t.Error("a topic is covered that should not be, or the reverse")
	}
	f := m.Facts(statusAt, []byte(`{"state":"off"}`), arrived, Fresh)
	want(t, f, plant.Facts{}, "boot: ")
	f = m.Facts("lab/x/heron-2/deep/down", []byte(`{"state":"off"}`), arrived, Fresh)
	if len(f.Events) != 1 || f.Events[0].Station != "heron-2" {
		t.Errorf("facts %+v", f)
	}
}

func TestNewMapper_Errors(t *testing.T) {
	for say, change := range map[string]func(*plant.Topic){
		"two meanings": func(t *plant.Topic) {
			t.StateWords = map[string]plant.State{"on": plant.StateCuring, "ON": plant.StateStandby}
		},
		"technologies: the word":     func(t *plant.Topic) { t.TechnologyWords = map[string]plant.Technology{"x": 1, "X": 2} },
		"which the pattern does not": func(t *plant.Topic) { t.Station = "{press}-{m}" },
		"uses {n-":                   func(t *plant.Topic) { t.Station = "{n-" },
		"is there twice":             func(t *plant.Topic) { t.Pattern = "a/{n}/{n}" },
		`the level "x{n}"`:           func(t *plant.Topic) { t.Pattern = "a/{press}/x{n}" },
		`the level "#"`:              func(t *plant.Topic) { t.Pattern = "a/{press}/#/{n}" },
		`the level ""`:               func(t *plant.Topic) { t.Pattern, t.Station = "", "heron-1" },
		"either a station or a":      func(t *plant.Topic) { t.Press = "{press}" },
		"instant format":             func(t *plant.Topic) { t.InstantFormat = "unix" },
		"counter c: scale":           func(t *plant.Topic) { t.Counters = map[string]plant.TopicCounter{"c": {Path: "c", Scale: "-1"}} },
	} {
		topic := statusTopic()
		change(&topic)
		if _, err := NewMapper(aPlant(pressTopic(), topic)); err == nil || !strings.Contains(err.Error(), say) || !strings.HasPrefix(err.Error(), "topics[1]") {
			t.Errorf("error %v does not say %q", err, say)
		}
	}
}

// FuzzFacts: whatever comes in, on whatever topic, facts are sound, nothing panics,
// and a fresh message gives facts or exactly one refusal with its place and reason.
func FuzzFacts(f *testing.F) {
	for _, topic := range []string{statusAt, "alder/heron/press", "plain/heron-1", "plain/heron-9", "plain/heron-1/more", "$SYS/uptime", "/", "unknown\xff", ""} {
		for _, payload := range []string{
			`{"ts":"2026-11-24T05:00:01Z","boot":"b7","seq":12,"state":"curing","source":"led","counters":{"lit_s":1.5,"starts":4},"power_pct":8}`,
			`{"ts":1795496401,"state":"off","area_m2":1e5,"length_m":2.5,"speed_m_min":-1e-7}`,
			"offline", `"offline"`, "", "null", `{"state":1e99999999,"seq":1E-99999999}`, "\xff\x00", `[[[`,
			`{"ts":"2026-11-24T05:00:01Z","state":"curing","state":"off"}`, `{"ts":-1,"state":"curing","boot":"\ud800","seq":-4}`, `{"state":"melting"}`,
			`{"ts":1795496401,"state":"off","counters":{"lit_s":"many","starts":1.5},"power_pct":null}`, `{"ts":1795496401,"speed_m_min":1e999,"area_m2":-3}`,
		} {
			f.Add(topic, []byte(payload), arrived.UnixNano(), uint8(Fresh))
			f.Add(topic, []byte(payload), int64(0), uint8(Retained))
			f.Add(topic, []byte(payload), arrived.UnixNano(), uint8(Repeated))
		}
	}
	plain := plainTopic()
	plain.Pattern, plain.Station, plain.InstantFormat = "plain/{s}", "{s}", "unix_seconds"
	m := mapper(f, aPlant(statusTopic(), pressTopic(), plain))
	f.Fuzz(func(t *testing.T, topic string, payload []byte, nanos int64, age uint8) {
		in := time.Unix(0, nanos)
		got := m.Facts(topic, payload, in, Age(age%3))
		sound := func(at time.Time) {
			if at.Location() != time.UTC || at.Nanosecond()%1e6 != 0 || at.Before(in.Add(-MaxLate-time.Millisecond)) || at.After(in) {
				t.Errorf("instant %s of a message that arrived %s", at, in)
			}
		}
		for _, e := range got.Events {
			sound(e.At)
			if e.Station != "heron-1" && e.Station != "heron-2" || e.LitMillis < -1 || e.Starts < -1 || e.Sequence < 0 && e.Boot != "" ||
				e.State == plant.StateNone || e.LastWill != (e.LastWill && e.State == plant.StateUnknown) || Age(age%3) == Retained && e.ClockDistrusted {
				t.Errorf("event %+v", e)
			}
		}
		for _, r := range got.Readings {
			sound(r.At)
			if owner, _ := r.Register.Split(); owner != "heron" || r.Value < 0 {
				t.Errorf("reading %+v", r)
			}
		}
		for _, s := range got.Signals {
			sound(s.At)
			if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || s.Subject == "" {
				t.Errorf("signal %+v", s)
			}
		}
		for _, r := range got.Refusals {
			if len(r.Payload) > plant.MaxRefusalPayload || !bytes.HasPrefix(payload, r.Payload) || r.Reason == "" || r.Source != strings.ToValidUTF8(topic, "\uFFFD") || !utf8.ValidString(r.Reason) {
				t.Errorf("refusal %+v", r)
			}
		}
		if len(got.Refusals) > 1 || got.Len() == 0 && len(payload) > 0 && Age(age%3) == Fresh {
			t.Errorf("%d refusals among %d facts", len(got.Refusals), got.Len())
		}
	})
}
