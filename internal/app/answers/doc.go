// Package answers works out what commands and pages both tell: where energy went, and
// how many lamps will be needed and when to order them. A command and a page that are
// asked the same therefore say the same.
//
// Each answer is made anew from the store, the newest outlook and the configuration, and
// nothing is kept. Nothing here words anything: the command prints rows, the page sets
// tables, in their own languages.
//
// What can be decided without a store is decided by the core; this package only brings
// together what the decision is made of.
package answers
