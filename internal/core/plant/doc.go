// Package plant is the vocabulary of curetally: the nouns of a printing plant
// with curing stations, and the facts and entries that are kept about it.
//
// It imports only package unit and holds no behaviour beyond naming, ordering
// and validation of single values. Every other package speaks in these types,
// so a value has one name from the wire to the page.
//
// Facts (Reading, StationEvent, Signal, Refusal and what people did) are what
// was seen; they are append-only. Entries are computed from facts alone and may
// be thrown away and rebuilt. Times are UTC: readings in microseconds, states
// in milliseconds. Values of this package are plain data and are safe to copy;
// slices inside them belong to whoever made them and are not changed afterwards.
package plant
