// Package upkeep says when a task falls due: from task rules, from what a
// subject did since the task was last done, and from the plant's calendar. Of
// the limits of a rule (lit hours, share of lamp life, starts, calendar days)
// the first that is reached decides.
//
// Use is projected with the mean of the last 28 working days: all use in the
// stretch from the oldest of them to yesterday, weekends included, divided by
// the working days in it, so that overtime on a Saturday is not lost. The
// projection walks the calendar day by day over working days; what is left of
// today counts by its share of the day. A holiday therefore moves the date, not
// the rate. With fewer than 10 working days on record the date is marked a
// guess, and without use there is none: calendar limits still fall due then.
//
// All dates are local days of the plant. The same subjects and the same instant
// give the same tasks. Cautions inform and defer to site rules; nothing here is
// a safety function.
package upkeep
