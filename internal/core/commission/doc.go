// Package commission judges, in the words of the trade, whether a meter was wired
// and configured rightly, from its registers as they were read.
//
// Each check gives a verdict with what to do about it: the setting under which the
// values are plausible, power against volts times amperes, the direction of current
// transformers, phases that are mixed up, transformers too large for the load, and
// an energy register that does not move as the power says.
//
// A check that cannot be made says so and is not taken for a good one. Where the
// setting is wrong nothing else is judged, because the values mean nothing then.
package commission
