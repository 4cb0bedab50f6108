// Package terms reads from the configuration what energy is worth: tariffs with
// their versions, files of carbon factors, what counts as avoidable use, and the effects
// of a project outside its meters. It gives the types of the core that price energy and
// estimate effects.
//
// A tariff is only taken when every moment of its year has exactly one price; a gap,
// an overlap, a negative price and a time of day within an interval of the plant's
// entries are refused with the line and the remedy.
//
// The keys stand beside those of package config, which joins them; paths in problems
// are those of the whole file.
package terms
