// Package savings states what a retrofit saves: avoided energy as the difference
// between what a frozen baseline model expects at the production of the
// reporting period and what the meters of the boundary counted.
//
// The unit of everything is the local day. Days makes rows of energy and drivers
// from settled day amounts and says of each day why it cannot be used, if it
// cannot; a gap is never filled with zero. Freeze fits the baseline and seals it
// with a hash over its rows; State applies it. Both are pure: the same baseline
// and the same days give the same statement, byte for byte.
//
// A statement's half-width has two parts: that of the model, and that of the meters
// where their accuracy is known. Each register has the uncertainty of its load in
// each period; an error that one meter had in both cancels but for what it makes of
// the saving itself.
//
// Days are chosen by date and by the technology in use, so that arc and LED
// mounted side by side and run in turns can be told apart. A plain difference of
// two periods is nowhere called a saving.
package savings
