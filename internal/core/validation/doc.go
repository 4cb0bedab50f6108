// Package validation looks at what a register has counted the way an auditor
// does, and says how what is missing would be estimated. Its checks are those of
// the published rule sets for interval data: identity, time, sum, spike, physical
// limit, standstill and missing values; each gives findings in words, with what was
// seen, what was expected and a remedy.
//
// An estimate is a proposal. Where the register tells how much accrued over a gap,
// that amount is exact and only its shape is estimated: the parts add up to it to
// the last unit. Otherwise the amount itself is an estimate and never counts as
// measured. Nothing is estimated across a known shutdown: only the time in which
// the station may have run takes part, the rest takes what it takes at rest.
//
// Methods are tried in a fixed order, the best evidence first: samples of the
// meter's own power, a check meter, a straight line over a short gap, like days,
// and a model of the station's states. The ledger is not changed by any of this;
// what it counts over gaps follows from the facts of one register alone, so that
// settling in parts gives the same as settling the whole.
//
// Everything here is a pure function of its arguments, which are not changed.
package validation
