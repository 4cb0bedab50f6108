package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"
)

// cleanups is a stack of named clean-ups, registered right after each
// acquisition and run in the opposite order.
type cleanups struct {
	steps []cleanup
}

type cleanup struct {
	name string
	fn   func(ctx context.Context) error
}

// cleanupLimit bounds each step, so that one that hangs does not keep the
// others from running.
const cleanupLimit = 40 * time.Second

func (c *cleanups) add(name string, fn func(ctx context.Context) error) {
	c.steps = append(c.steps, cleanup{name, fn})
}

// run runs all steps, last one first, and joins their errors. The context of
// the daemon has ended by then, so each step gets one of its own.
func (c *cleanups) run(ctx context.Context) error {
	var errs []error
	for _, s := range slices.Backward(c.steps) {
		bound, cancel := context.WithTimeout(context.WithoutCancel(ctx), cleanupLimit)
		if err := s.fn(bound); err != nil {
			errs = append(errs, fmt.Errorf("end %s: %w", s.name, err))
		}
		cancel()
	}
	c.steps = nil
	return errors.Join(errs...)
}
