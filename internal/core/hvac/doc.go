// Package hvac estimates what a change of curing lamps does to the heating, cooling
// and ventilation of the building: cooling avoided and heating missed, make-up air
// that need not be conditioned, fans that turn slower. All of it lies outside the
// meters of a savings boundary.
//
// So none of it is a measured saving. Each effect is an estimate with a standard
// uncertainty of its own, from inputs that carry theirs, and is shown on a line of its
// own; nothing here adds one to another or to what was measured.
//
// Moist air is computed from temperature and relative humidity. Source: ASHRAE
// Handbook Fundamentals, chapters 1 and 18. From memory; checked against its printed
// tables of saturation.
//
// Removing an exhaust removes its free cooling too, and ozone, odour and ventilation
// duties may forbid it: whoever shows these figures says so. Everything is a pure
// function of its arguments.
package hvac
