// Package web is the face of the program on HTTP: it serves the pages and the
// interface for programs that are handed in, the whole overview as one JSON document,
// the health checks, and the metrics of whoever passes them in.
//
// It guards all of them alike: it bounds the size and the time of requests and allows
// the browser nothing but the one style sheet. Who asks is found out by the door that
// is handed in; without one everything stands open, which may be so on a loopback
// address only: OnLoopback is the check for that. Posts of another site, and those to a
// name that is neither this machine's nor a configured one, are refused.
//
// A Server is safe for concurrent use. What went wrong inside is written to the
// log and never told to whoever asks.
package web
