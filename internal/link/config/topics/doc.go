// Package topics reads how MQTT messages are mapped to facts: which topics there
// are, whose messages they carry, and where in the document each value stands.
//
// A topic pattern consists of whole levels, each plain text or one named part,
// since a broker can match only whole levels; templates put the parts together
// into the name of a station or a press. A template that can give no known name,
// or that uses a part which its pattern does not have, is refused.
//
// Counters of a press are converted to whole units of their quantity by an exact
// decimal factor, so a modulus is either a whole number or refused.
package topics
