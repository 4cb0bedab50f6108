package meterlink

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/simonvetter/modbus"
)

// The classes of failure, for use with errors.Is. The message of an error says
// where it happened, what was expected and what a person can do about it.
var (
	// ErrException: the meter or its gateway answered that it will not serve
	// the request. The link is sound and stays open.
	ErrException = errors.New("the meter refused the request")
	// ErrSilent: nothing came in time, or a gateway says so of its meter. With the
	// former the error is of class ErrLink too, with the latter of ErrException.
	ErrSilent = errors.New("no answer")
	// ErrFrame: something came that is no answer to the request: a damaged frame,
	// another unit's, another length. The error is of class ErrLink too.
	ErrFrame = errors.New("the frame cannot be used")
	// ErrAnchor: registers of known content held something else, so the answer
	// is of another meter, another map or another request.
	ErrAnchor = errors.New("the answer has another identity than expected")
	// ErrLink: no connection, no answer in time, or an answer that breaks the
	// protocol. The link was closed; the next Read opens it again. What broke the
	// protocol is of class ErrFrame too, and comes as Refused.
	ErrLink = errors.New("the link failed")
	// ErrValue: the answer is sound but a value in it cannot be a fact: it does
	// not fit, or its scale register holds no power of ten. It is the class of
	// Sample.Refused only.
	ErrValue = errors.New("a value cannot be used")

	// errOpen marks an ErrLink where nothing was sent because the link did not
	// open; trying again at once is of no use.
	errOpen = errors.New("the link did not open")
)

// unknownException is how the library's text for an exception code begins that
// the Modbus specification does not name.
const unknownException = "unknown exception code"

// isException says whether the library's error is an answer of the meter, as
// against a failure of the link.
func isException(err error) bool {
	for _, e := range []modbus.Error{
		modbus.ErrIllegalFunction, modbus.ErrIllegalDataAddress, modbus.ErrIllegalDataValue,
		modbus.ErrServerDeviceFailure, modbus.ErrAcknowledge, modbus.ErrServerDeviceBusy,
		modbus.ErrMemoryParityError, modbus.ErrGWPathUnavailable, modbus.ErrGWTargetFailedToRespond,
	} {
		if errors.Is(err, e) {
			return true
		}
	}
	return strings.HasPrefix(err.Error(), unknownException)
}

// remedy says what a person can do about an error of the library.
func remedy(err error) string {
	switch {
	case errors.Is(err, modbus.ErrIllegalFunction):
		return "read the value with the other function (3 holding, 4 input registers)"
	case errors.Is(err, modbus.ErrIllegalDataAddress):
		return "check the address in the profile, counted from 0 where many manuals count from 1 or 40001, and lower max_waste"
	case errors.Is(err, modbus.ErrGWPathUnavailable), errors.Is(err, modbus.ErrGWTargetFailedToRespond):
		return "the gateway answers for a meter that does not: check the meter's supply, unit id and wiring"
	case isException(err):
		return "read the meter's own display for a fault and compare the profile with its manual"
	case errors.Is(err, modbus.ErrRequestTimedOut):
		return "expected an answer in time: check the meter's supply, unit id, wiring, speed and parity, or raise the time-out"
	case errors.Is(err, modbus.ErrBadUnitId):
		return "expected an answer from the unit that was asked: set the unit id that the device answers with, and give each device on the line its own"
	case errors.Is(err, modbus.ErrBadCRC), errors.Is(err, modbus.ErrShortFrame):
		return "expected a whole frame: check speed, parity, termination and shielding of the line"
	case errors.Is(err, modbus.ErrProtocolError):
		return "expected the registers asked for: check that the address is of a Modbus device and that its framing (tcp, rtuovertcp) is as configured"
	case errors.Is(err, io.EOF):
		return "the meter closed the connection: it may serve one client at a time or close idle links; it is opened again at the next poll"
	default:
		return "check the cable and the network; the link is opened again at the next poll"
	}
}

// broken says whether the library's error means that something came which is no
// answer to the request.
func broken(err error) bool {
	return slices.ContainsFunc([]modbus.Error{
		modbus.ErrBadUnitId, modbus.ErrBadCRC, modbus.ErrShortFrame, modbus.ErrProtocolError,
	}, func(e modbus.Error) bool { return errors.Is(err, e) })
}

// fail makes the error of one request: place, class, cause and remedy. It is
// Refused when something came, and of class ErrSilent when nothing did.
func (b *Bus) fail(m *meter, r request, class, cause error) error {
	silent := errors.Is(cause, modbus.ErrRequestTimedOut) || errors.Is(cause, modbus.ErrGWTargetFailedToRespond)
	switch {
	case silent:
		return fmt.Errorf("%s: %w: %w: %w — %s", b.place(m, r), class, ErrSilent, cause, remedy(cause))
	case broken(cause):
		class = fmt.Errorf("%w: %w", class, ErrFrame)
	case !errors.Is(class, ErrException):
		return fmt.Errorf("%s: %w: %w — %s", b.place(m, r), class, cause, remedy(cause))
	}
	return &Refused{place: b.place(m, r), class: class, cause: cause, expected: remedy(cause)}
}

// place names a request the way a person finds it again in configuration and
// manual.
func (b *Bus) place(m *meter, r request) string {
	return fmt.Sprintf("meter %s, unit %d on %s, %s", m.conf.ID, m.conf.Unit, b.conf.URL, r)
}
