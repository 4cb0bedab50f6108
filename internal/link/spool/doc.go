// Package spool is a durable queue of facts on disk, between what comes in and
// the database. Facts are acknowledged to their origin once they are here, so
// the database may be away for as long as the bounds allow whole facts, and longer
// with thinned ones: see Bounds.
//
// The spool numbers its batches without gaps and never uses a number twice, not
// even after everything was taken out and the program was started again. The
// store keeps the number of the last batch it took in the same transaction as
// the facts; together they make a replay harmless and tell after an unknown
// COMMIT what happened.
//
// A batch is one key of one bbolt file: its number, a checksum and the facts in
// a compact form whose fields are numbered, so that a newer program reads what
// an older one wrote. A batch whose checksum is wrong is set aside in the file
// and counted. The pages of the file are examined before it is opened: a file with a
// damaged page is moved aside, a new spool with a new identity is begun, and the
// batches that are whole are carried over.
package spool
