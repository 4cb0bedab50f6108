package meterlink

import (
	"fmt"
	"strings"
)

// Refused is an answer, or one value of an answer, that was not taken as a fact.
// Something came, so it is no silence. It is an error, and wraps its class and its
// cause.
type Refused struct {
	// Value is the value's name in the profile; empty when the whole answer was
	// refused.
	Value string
	// Content is what came, as words in hexadecimal in the order of the meter;
	// empty where the library gives nothing: an exception names itself in the
	// reason, and a broken frame is thrown away.
	Content string

	place    string // meter, unit, line and request
	class    error
	cause    error  // of the library, nil where the answer itself was sound
	found    string // what the answer held
	expected string // what was expected and the remedy
}

// Reason says where it happened, what was expected and what a person can do. It
// holds nothing of what came, so that it is the same while a trouble lasts.
func (r *Refused) Reason() string {
	return join(r.place, r.subject(), r.class.Error(), causeText(r.cause), r.expected)
}

// Error is the reason with what was found.
func (r *Refused) Error() string {
	return join(r.place, r.subject(), r.class.Error(), causeText(r.cause), r.found, r.expected)
}

// Unwrap gives class and cause.
func (r *Refused) Unwrap() []error {
	if r.cause == nil {
		return []error{r.class}
	}
	return []error{r.class, r.cause}
}

func (r *Refused) subject() string {
	if r.Value == "" {
		return ""
	}
	return "value " + r.Value
}

func causeText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// join puts the parts of a message together, without the empty ones.
func join(parts ...string) string {
	var b strings.Builder
	for _, p := range parts {
		if p == "" {
			continue
		}
		if b.Len() > 0 {
			b.WriteString(": ")
		}
		b.WriteString(p)
	}
	return b.String()
}

// inHex writes words as messages and refusals show them.
func inHex(words []uint16) string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = fmt.Sprintf("%#04x", w)
	}
	return strings.Join(out, " ")
}
