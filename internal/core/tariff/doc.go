// Package tariff prices energy by the hour at which it was used and power by the
// highest of a month, as contracts of supply do: prices by season, day of the week
// and clock time of the site, demand over fixed or sliding windows with a ratchet,
// and versions by date.
//
// Clock times are local, so a day of a clock change has the prices of the times that
// its clocks showed: an hour that is skipped is never asked for, one that comes twice
// costs the same both times. A version is sound when every moment of its year has
// exactly one price; Version.Faults lists where it has none or several.
//
// Energy is added up in whole milliwatt-hours per price and multiplied once, in
// decimals, so a cost is exact and does not depend on how time was cut. Energy for
// which no version is in force is not priced in silence: it is a figure of its own.
//
// Charges that no saving moves (standing charges, taxes) are left out, so a cost here
// is no copy of a bill. Everything is a pure function of its arguments.
package tariff
