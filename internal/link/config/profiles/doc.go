// Package profiles holds the register maps of meters: how a profile is written
// in YAML, what is checked about it, and the ready-made generic ones.
//
// A profile is data. The ready-made files beside this package are invented,
// generic layouts (an unsigned count of watt-hours, a float of kilowatt-hours, a
// six-digit register and so on) and the open SunSpec meter models; a plant may
// add its own file or write the profile into its configuration.
//
// The package also knows the exact arithmetic of an energy register: how many
// milliwatt-hours one count is, at which amount the register starts again, and
// how finely it resolves. That is done in rational numbers, so a modulus is
// either a whole number of milliwatt-hours or refused.
package profiles
