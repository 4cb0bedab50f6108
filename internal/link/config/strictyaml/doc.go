// Package strictyaml reads one YAML document into Go values and reports every
// mistake at once, each with its line and its path ("meters[3].profile").
//
// A YAML library's own decoder stops at the first mistake; a person who writes a
// configuration wants all of them. So the library only parses here, and the
// syntax tree is walked by this package: unknown and double keys, wrong types,
// missing keys, empty values, anchors and second documents are all refused, and
// the place of every value is kept so that later checks can point to it.
//
// Values are read more narrowly than YAML allows. Whole numbers are decimal or
// begin with 0x; a leading zero (010, which YAML may read as 8) is refused, and
// so are numbers where text is wanted, durations without unit, and "yes" or "no"
// for true or false. A value's text is never repeated in a message of this
// package, because it may be a secret.
package strictyaml
