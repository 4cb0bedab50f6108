// Package web is the face of the program on HTTP: one overview page for people,
// the same overview as JSON, the health checks, and the metrics of whoever
// passes them in.
//
// It renders what its Source has decided and computes nothing but words. Pages
// are built on the server from typed views, work without script, carry every
// state by word and shape as well as by colour, and allow the browser nothing
// but the one style sheet.
//
// Pages only read. What people put on record comes by POST to the interface below
// /api/v1, which is handed in. Who asks is found out by the door that is handed in;
// without one everything stands open, which may be so on a loopback address only:
// OnLoopback is the check for that. Posts of another site, and those to a name that is
// neither this machine's nor a configured one, are refused.
//
// A Server is safe for concurrent use. What went wrong inside is written to the
// log and never to the page.
package web
