// Package stops proposes which upkeep tasks to do in which planned stop of a
// press, so that nothing waits beyond the day by which it may be due and as
// little life as possible is thrown away by doing it early.
//
// What is asked for, one after the other: as few tasks as possible that are not
// done by their P10 (the day on which the chance that the task has fallen due
// reaches 10 %); of those, as few as possible without any stop, then as few days
// late as possible; then the least life thrown away, which is the loss per day
// times the days between the stop and the day on which the task is most likely
// due (P50); then the least time spent isolating. Each task is planned once, for
// its next due date, and one that is not due by the last stop of its press is left
// for a later stop.
//
// How the work of a stop is laid out: the tasks behind one isolation are one
// block; isolating is counted once in it, and the block is worked from end to end
// by the same people. Blocks for more than one person come first, one after
// another; then every person works single blocks. A proposal therefore says when
// each block begins and who is on it, and can be carried out as it stands.
//
// Tasks that can meet in no stop are solved apart. Each part is searched by branch
// and bound, starting from a proposal that takes tasks in the order of their P10,
// each into its best stop, and is then improved by moving and exchanging tasks
// between stops. A search that ends within its bound is exact; where the bound
// comes first the best proposal found is given, marked as not exact, with the
// score that no proposal can fall below. The same question gives the same
// answer on every machine: there is no clock and no chance in it.
package stops
