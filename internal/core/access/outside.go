package access

import (
	"errors"
	"time"
)

// ErrNotAdmitted says that who signed in elsewhere may not come in here. The text of
// an error that wraps it is for the person.
var ErrNotAdmitted = errors.New("not let in")

// Trip is what is kept of a browser while its person signs in elsewhere. State,
// nonce and verifier are random; an answer that does not fit all three is not the
// answer to this trip.
type Trip struct {
	State, Nonce, Verifier string
	Next                   string // page to go to afterwards
	Begun                  time.Time
}

// Identity is who somebody is elsewhere.
type Identity struct {
	Outside string // issuer and subject, which never change
	Name    string // as it is to stand in records
	Role    Role
}
