// Package figure draws the plots of reports and pages. A Figure is plain data: panels
// with axes, and on them lines, dots, bars, bands and limits, each in an ink that says
// what it means; and the table of what it is drawn from. SVG writes it as an element
// for a page, Draw puts the same drawing on any other canvas, for example a page of a
// PDF.
//
// It renders and computes nothing: every number that it draws was decided by the core.
// The same figure gives the same bytes, so a picture can be compared, cached and
// published with the statement that it belongs to.
//
// Pictures in SVG carry a title and a description for readers who cannot see them, use
// presentation attributes and class names only (no style attributes and no script, so
// that a strict content security policy needs no exception), draw their text in the
// colour of the surrounding page, and leave the background transparent: they read as
// well on dark paper as on light. The classes are plot-text, plot-axis, plot-grid,
// plot-metered, plot-other, plot-expected, plot-saved, plot-band and plot-limit; what is
// filled instead of stroked has -dot after it, but for text and band.
package figure
