// Package model has stand-ins in memory for what the daemon writes to: the
// database and the spool. They keep the promises that the real ones give, and
// nothing else: a transaction happens as a whole or not at all, a key is stored
// once, marks go with what they mark, an appended batch is lost by a kill until it
// is synced.
//
// Neither fails by itself. A simulation puts its faults in front of them, so that
// what is kept after a fault is always what a sound database keeps. The suites of
// package contract hold the stand-ins and the real ones against the same tests.
//
// Both are safe for concurrent use. What they give belongs to the caller.
package model
