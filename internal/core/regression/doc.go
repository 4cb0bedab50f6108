// Package regression fits baseline models of energy on drivers: the mean,
// straight lines on one or more drivers, and the change-point forms with three,
// four and five parameters. It says how good a model is, whether it meets the
// usual limits, and what a reporting period saved against it with the half-width
// of that figure.
//
// A change point belongs to the first driver; the others enter linearly. Between
// two neighbouring values of the driver the best change point is the join of two
// lines and is computed, not approached; else it lies on a value of the driver. Each
// change point counts as a parameter. Standard errors of coefficients, and the
// model's part of a half-width, hold for the change points found: their own
// uncertainty is in the degrees of freedom only.
//
// Everything here is a pure function of its rows, in the order of time. Drivers
// that are constant or cannot be told apart, and rows too few for the form, are
// refused with an Error that says what to do.
package regression
