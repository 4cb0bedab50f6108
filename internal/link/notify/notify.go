// Package notify holds what the ways to people have in common: which failures
// need no second attempt, and how a notice reads. Each way is a package below
// it: mail, webhook, retained (MQTT) and feed (calendar).
//
// A way takes whole messages and says whether they arrived; it repeats nothing
// and keeps nothing. When, how often and to whom is decided elsewhere.
//
// Times are shown in the zone of the site, with the day written out, because
// they are read by people who do not think in UTC.
package notify

import (
	"fmt"
	"strings"

	"curetally/internal/core/notice"
)

// Refused is a failure that trying again cannot mend.
type Refused struct{ Err error }

// Error is that of the failure.
func (r *Refused) Error() string { return r.Err.Error() }

// Unwrap gives the failure.
func (r *Refused) Unwrap() error { return r.Err }

// Permanent is true.
func (r *Refused) Permanent() bool { return true }

// Subject is a message in one line.
func Subject(m notice.Message) string {
	if len(m.Notices) == 1 {
		return oneLine(m.Notices[0].Title) + " · " + oneLine(m.Site)
	}
	return fmt.Sprintf("%d notices · %s", len(m.Notices), oneLine(m.Site))
}

// oneLine makes one line of a text, so that it cannot begin a further header.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
