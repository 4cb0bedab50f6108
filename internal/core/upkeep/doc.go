// Package upkeep says when a task falls due: from task rules, from what a
// subject did since the task was last done, and from the calendar of its press. Of
// the limits of a rule (lit hours, share of lamp life, starts, calendar days)
// the first that is reached decides.
//
// Use is projected by package forecast, day by day through shifts, holidays and
// planned stops, so that a holiday moves the date and not the rate. Every date has
// the days between which it lies with a probability of 80 %, and a reason in
// words. With fewer than 10 workdays on record the date is marked a guess, and
// without use there is none: calendar limits still fall due then.
//
// All dates are local days of the plant. The same subjects and the same instant
// give the same tasks. Cautions inform and defer to site rules; nothing here is
// a safety function.
package upkeep
