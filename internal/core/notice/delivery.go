package notice

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"
)

// State says how far a delivery has come.
type State string

// The states of deliveries.
const (
	Waiting State = "waiting"
	Sent    State = "sent"
	Dead    State = "dead" // given up; a person can have it sent again
	// Withdrawn before it was sent, because a person has seen to what it says.
	Withdrawn State = "withdrawn"
)

// Delivery is a notice on its way through one channel.
type Delivery struct {
	Notice  Notice
	Channel string
	State   State
	Due     time.Time // when it may be tried next
	First   time.Time // when it was first to be delivered
	Attempt int       // how often it was tried
	Error   string    // of the last attempt; empty when there was none
	Sent    time.Time // zero unless Sent
}

// Posted is a notice with the channels that take it.
type Posted struct {
	Notice Notice
	To     []Appointment
}

// Appointment is when a channel may deliver.
type Appointment struct {
	Channel string
	Due     time.Time
}

// Post routes notices at the instant of their transitions.
func Post(notices []Notice, routes []Route) []Posted {
	out := make([]Posted, 0, len(notices))
	for _, n := range notices {
		p := Posted{Notice: n}
		for _, r := range routes {
			if !r.Takes(n) {
				continue
			}
			if due, ok := r.When(n.At); ok {
				p.To = append(p.To, Appointment{r.Channel, due})
			}
		}
		out = append(out, p)
	}
	return out
}

// Retries say how often and how long a delivery is tried again.
type Retries struct {
	First  time.Duration // pause after the first failure; it doubles with each
	Most   time.Duration // longest pause
	GiveUp time.Duration // after which a delivery is dead
}

// UsualRetries outlast a mail server that is down from Friday to Monday.
func UsualRetries() Retries {
	return Retries{First: time.Minute, Most: time.Hour, GiveUp: 96 * time.Hour}
}

// Failed moves a delivery whose attempt failed. Jitter is from 0 to 1; permanent
// says that trying again cannot help.
func (r Retries) Failed(d Delivery, at time.Time, jitter float64, permanent bool) Delivery {
	if permanent || at.Sub(d.First) >= r.GiveUp {
		d.State = Dead
		return d
	}
	pause := r.Most
	if n := d.Attempt - 1; n < 20 {
		pause = min(r.Most, r.First<<max(0, n))
	}
	d.Due = at.Add(pause*3/4 + time.Duration(jitter*float64(pause/2)))
	return d
}

// Key names what is sent to a channel, the same whenever it is sent again.
func Key(site, channel string, notices []Notice) string {
	h := sha256.New()
	fmt.Fprintf(h, "%q %q", site, channel)
	for _, n := range notices {
		fmt.Fprintf(h, " %q %q", n.Subject, n.Transition)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}
