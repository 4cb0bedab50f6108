// Package paper draws A4 pages in PDF, to be printed, signed and filed: paragraphs, notes,
// tables that go on on the next page under their heads, plots as lines and not as pictures, and
// a footer that says on every page to which document it belongs, because pages get separated.
//
// It takes finished texts and decides nothing. A text that is too long is broken into lines,
// and a word that is too long within itself; nothing runs over an edge.
//
// The same document gives the same bytes: its dates are given, and nothing is taken from the
// clock. Fonts are embedded, so that a page looks the same everywhere and holds every sign of
// the trade, such as √, Ω and ±.
package paper
