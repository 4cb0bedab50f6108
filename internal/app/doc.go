// Package app puts the daemon together. It is the one place that sees every
// room of the house: it opens the database, joins adapters to processes, starts
// them in order and ends them in the opposite order.
//
// A running daemon has two groups. The front takes facts in (meter polls,
// station messages); the back makes them durable, settles them and shows them.
// At the end the front stops first, then what it delivered is written, settled
// and only then the back, the database and the private cluster stop.
//
// The package also serves the command line: a command opens the same store in
// the same way, attaching to the private cluster of a running daemon where
// there is one, and calls the same functions as the daemon.
package app
