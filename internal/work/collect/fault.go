package collect

import (
	"maps"
	"time"

	"curetally/internal/core/plant"
)

// Trouble is the kind of what is wrong with a meter. A meter that answers wrongly
// needs another remedy than one that is silent, so they are told apart from the
// wire to the page.
type Trouble uint8

// The troubles.
const (
	Sound         Trouble = iota
	NoAnswer              // nothing came, or the line did not open
	BrokenFrame           // what came was no answer to the request
	Exception             // the meter refused the request
	WrongIdentity         // registers of known content held something else
	BadValue              // an answer held a value that cannot be a fact
)

var troubleWords = [...]string{"sound", "no answer", "broken frame", "exception", "wrong identity", "bad value"}

// String gives the words for the trouble, for messages and labels.
func (t Trouble) String() string { return troubleWords[t] }

// logged is what the log says when the trouble begins.
var logged = [...]string{
	Sound:         "meter answers",
	NoAnswer:      "meter does not answer; asking again with growing pauses",
	BrokenFrame:   "what came is no answer of the meter; asking again with growing pauses",
	Exception:     "meter refuses the request; asking again with growing pauses",
	WrongIdentity: "meter is not the one that was expected; asking again with growing pauses",
	BadValue:      "meter sends a value that cannot be used; the others are taken",
}

// Troubles lists all of them, Sound included.
func Troubles() []Trouble {
	return []Trouble{Sound, NoAnswer, BrokenFrame, Exception, WrongIdentity, BadValue}
}

// Fault is one thing that was wrong with a poll.
type Fault struct {
	Trouble Trouble
	// Value is the value concerned; empty when it is the whole answer.
	Value string
	// Reason says place, expectation and remedy, and is the same while the trouble
	// lasts.
	Reason string
	// Content is what came; empty when nothing is known of it.
	Content string
	// Text is the whole message.
	Text string
}

// Answer is what one poll brought: what can be used, and what was wrong. A poll
// with faults and no facts has failed.
type Answer struct {
	Facts  plant.Facts
	Faults []Fault
}

func (a *Answer) failed() bool { return len(a.Faults) > 0 && a.Facts.Len() == 0 }

// refusalPause is the least time between two refusals of one meter, value and
// reason.
const refusalPause = time.Hour

// refusedKinds bounds how many different refusals of one meter are remembered.
const refusedKinds = 256

// condition identifies what is wrong: value and reason of one meter.
type condition struct{ value, reason string }

// refusals remembers what was refused of one meter, so that a meter that is wrong
// at every poll makes one refusal and no flood: one is put on record when the
// condition begins, and again only when it was away in between and an hour has
// passed since. The count of all refused answers and values goes on.
type refusals struct {
	noted   map[condition]time.Time
	present map[condition]bool
}

// take gives the faults of a poll that go on record.
func (r *refusals) take(m plant.MeterID, faults []Fault, now time.Time) []plant.Refusal {
	var out []plant.Refusal
	present := map[condition]bool{}
	for _, f := range faults {
		if f.Trouble == NoAnswer {
			// Silence changes nothing of what is known of the answers.
			return nil
		}
		c := condition{f.Value, f.Reason}
		present[c] = true
		last, known := r.noted[c]
		if known && (r.present[c] || now.Sub(last) < refusalPause) {
			continue
		}
		if !known && !r.room(now) {
			continue
		}
		r.noted[c] = now
		source := string(m)
		if f.Value != "" {
			source = string(plant.RegisterOf(m, f.Value))
		}
		content := f.Content[:min(len(f.Content), plant.MaxRefusalPayload)]
		out = append(out, plant.Refusal{At: now.UTC(), Source: source, Reason: f.Reason, Payload: []byte(content)})
	}
	r.present = present
	return out
}

// room forgets old conditions when there are many and says whether another can be
// remembered; those that cannot are only counted.
func (r *refusals) room(now time.Time) bool {
	if r.noted == nil {
		r.noted = map[condition]time.Time{}
	}
	if len(r.noted) >= refusedKinds {
		maps.DeleteFunc(r.noted, func(c condition, last time.Time) bool {
			return !r.present[c] && now.Sub(last) >= refusalPause
		})
	}
	return len(r.noted) < refusedKinds
}
