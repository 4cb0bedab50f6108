// Package api is the program's HTTP interface under /api/v1: everything that the
// pages show as JSON or, where it is a table, as CSV, and every act of people as
// a request. The OpenAPI 3.1 document at /api/v1/openapi.json is made from the
// same types as the answers, so it cannot say anything else than what is served.
//
// The package knows HTTP and nothing of the store. What it asks for stands in
// small interfaces beside the handlers that ask; what an act may do is decided
// behind them, by the same code that the commands use.
//
// Errors are problem documents (RFC 9457). Reads carry an entity tag, so that a
// reader who asks again with If-None-Match pays for what has changed only. Lists
// that grow are given in pages: items, and next where there are more.
package api
