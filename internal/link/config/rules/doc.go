// Package rules reads task rules and lamp kinds, and holds the ready-made sets of
// them for arc stations, LED stations and measuring gear.
//
// The ready-made limits are starting points from common practice, said so beside
// each set; a plant replaces any of them by a rule of the same name. A rule is
// data: what it applies to, when it falls due, how long the work takes, and which
// parts and caution cards go with it.
//
// A rule that can never fall due, a limit that its scope cannot have, and a
// caution card that does not exist are refused.
package rules
