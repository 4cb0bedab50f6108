//go:build !linux

package clock

import "time"

// elapsed gives what has passed since its call.
func elapsed() func() time.Duration {
	began := time.Now()
	return func() time.Duration { return time.Since(began) }
}
