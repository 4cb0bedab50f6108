// Package forecast says on which local day something that is counted reaches a
// limit: the rate of each type of day from the plant's own history, walked day by
// day through the calendar of the press.
//
// Types of day are worked days from Monday to Friday, worked Saturdays, worked
// Sundays, free Saturdays and other free days. Of worked days the use of an hour of
// work is taken, so that a shorter shift, a planned stop or another pattern of
// shifts moves the date and not the rate; of free days the use of a day. Newer days
// weigh more: half as much for each 15 workdays back, none beyond 60. Days of an
// earlier pattern of shifts count only until 10 workdays of the present one are on
// record, and then the date is marked a guess.
//
// The spread is that of 200 courses of use drawn from the history: blocks of five
// workdays that follow each other, so that busy and idle weeks stay together, times
// a level that is as uncertain as its mean and drifts with the lead. Draws come
// from a seed that the caller gives: the same question has the same answer.
package forecast
