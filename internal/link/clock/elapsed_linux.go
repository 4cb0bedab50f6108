package clock

import (
	"time"

	"golang.org/x/sys/unix"
)

// elapsed gives what has passed since its call, the sleep of the machine included,
// which Go's own monotonic time leaves out. Source: Linux manual page
// clock_gettime(2), CLOCK_BOOTTIME, which a kernel from 2.6.39 on has.
func elapsed() func() time.Duration {
	boot := func() time.Duration {
		var ts unix.Timespec
		_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts) // Go itself needs a newer kernel
		return time.Duration(ts.Nano())
	}
	first := boot()
	return func() time.Duration { return boot() - first }
}
