// Package report turns verdicts into pictures for people: for now the plot of a
// savings statement as SVG.
//
// It renders and computes nothing: every number that it draws was decided by
// the core, and it knows neither the store nor the network. The same input
// gives the same bytes, so a picture can be compared, cached and published with
// the statement that it belongs to.
//
// Pictures carry a title and a description for readers who cannot see them,
// use presentation attributes and class names only (no style attributes and no
// script, so that a strict content security policy needs no exception), draw
// their text in the colour of the surrounding page, and leave the background
// transparent: they read as well on dark paper as on light.
package report
