// Package signoff draws the commissioning record of meters as A4 pages in PDF, to
// be printed, signed and filed: what was read of each meter, what was judged of its
// wiring and settings, and boxes for the names of those who answer for it.
//
// It takes finished texts and decides nothing: whether a value is plausible and what
// to do about it is said by the core. A text that is too long is broken into lines,
// a table that is too long goes on on the next page under its heading, and every
// page says to which record it belongs, because pages get separated.
//
// The same record gives the same bytes: the dates of the document are those of the
// record, and nothing is taken from the clock. Fonts are embedded, so that the page
// looks the same everywhere and holds every sign of the trade, such as √, Ω and ±.
package signoff
