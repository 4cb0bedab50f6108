// Package pages renders what people look at in a browser: today, work, lamps, energy,
// savings, meters and the log, each in one request, without script and in the language
// of the reader. It also takes the forms on them and hands what a person put there to
// the same deeds as the HTTP interface does.
//
// A page is composed of a few kinds of pieces (tables, tickets, facts, pictures, forms),
// so that all pages look and read alike, on a phone, on paper and to a screen reader.
// It is rendered whole before the first byte is sent: a page is never half there. After
// each form the reader is sent on, so that looking again records nothing again.
//
// Words come from the one catalogue of texts, figures and dates are written in the
// reader's language and the site's zone. Who asks is read from the context (package
// access): a form that its role may not use is not shown, and is refused when it
// comes all the same.
package pages
