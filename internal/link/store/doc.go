// Package store keeps facts, entries and what people did in PostgreSQL (14 or
// newer). It holds all SQL of the program and no rules of the trade: what an
// amount is worth and when facts contradict each other is decided elsewhere.
//
// # Facts
//
// Facts enter by Apply, in numbered batches of one spool. The watermark of the
// spool moves in the transaction of the facts, so a repeated batch is skipped
// and, after a COMMIT whose outcome is not known, the same call says what is
// missing. In the same transaction the touched registers and stations are
// marked unsettled. Readings and signals go in by COPY; if a key is there
// already, that group alone is stored again row by row, without the duplicates.
// Station events always go that way, because brokers repeat messages.
//
// # Entries
//
// Replace exchanges the entries of whole intervals and removes the marks they
// answer, in one transaction. Nothing is ever added to a stored amount.
//
// # People
//
// Each act of a person is one transaction with its row in the audit table, which
// is append-only, as frozen baselines are.
//
// A DB is bound to one site by Sync and is then safe for concurrent use. Times
// given back are UTC. Methods that need the site return ErrNoSite before Sync.
package store
