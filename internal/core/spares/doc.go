// Package spares says how many lamps will be needed and when, when to order how
// many so that the store does not run out, and what is to be known of the spent
// mercury lamps that wait for disposal.
//
// Need is counted with chances, week by week. Each position has a chance that its
// lamp is changed in each week and, where lamps last less than the time looked
// at, the chances of the lamp after it. The number of changes over all positions
// then has a Poisson-binomial distribution (a sum of independent yes or no with
// unequal chances), or its likeness with more than one change in a position; it is
// computed exactly by convolution, not approximated by a Poisson or a normal one,
// because three lamps of one age that fall due in one week are the case that
// matters.
//
// An order is due on the last day on which it still arrives before the week in
// which the chance that the store has lasted falls below the service level. Its
// quantity is the least that keeps the service level for the weeks it is to last.
//
// What is said of spent lamps informs. The time they may be held and how they are
// to be handled is set by local rules, and the mercury in them is an estimate from
// their size.
package spares
