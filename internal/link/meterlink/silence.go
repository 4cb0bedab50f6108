package meterlink

import (
	"syscall"
	"time"
)

// silenceAfter is how long a line must rest between two frames: 3.5 characters of 11
// bits up to 19 200 baud, 1.75 ms above. The library keeps 1.75 ms at 19 200 already,
// where the standard asks for 2.005 ms, so a meter that counts would miss the
// beginning of a request.
// Source: MODBUS over Serial Line V1.02, section 2.5.1.1.
func silenceAfter(speed uint) time.Duration {
	if speed == 0 {
		speed = standardSpeed
	}
	if speed > standardSpeed {
		return 1750 * time.Microsecond
	}
	return 35 * bitsPerChar * time.Second / (10 * time.Duration(speed))
}

// wakeUp is how late the system may end a sleep that it was asked for.
const wakeUp = 100 * time.Microsecond

// waitUntil waits without the runtime's timers, which on an idle processor are late
// by up to a millisecond: at 115 200 baud that is a seventh of a short poll. The last
// wakeUp is spent looking at the clock. It cannot be interrupted, which for some
// milliseconds does no harm.
func waitUntil(t time.Time) {
	for left := time.Until(t); left > 0; left = time.Until(t) {
		if left > wakeUp {
			request := syscall.NsecToTimespec(int64(left - wakeUp))
			_ = syscall.Nanosleep(&request, nil) // a signal ends it early, and the loop goes on
		}
	}
}
