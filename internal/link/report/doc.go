// Package report draws the plot of a savings statement on a page: energy per day, and
// what was saved so far.
//
// It renders and computes nothing: every number that it draws was decided by
// the core, and it knows neither the store nor the network. How a plot becomes a
// picture is the business of the package figure; the plots of a whole report are in
// the package plots.
package report
