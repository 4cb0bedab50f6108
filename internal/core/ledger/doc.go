// Package ledger turns facts into amounts that add up. It judges successive
// values of a cumulative register, makes one monotone curve of them, makes a
// state timeline of a station's messages, and cuts the curve into entries per
// interval, state, technology and lamp.
//
// A curve is linear between accepted values, and its value at an instant is
// rounded down relative to the start of its segment. Every amount is a
// difference of two such values, so amounts of adjoining stretches add up to
// the amount of the whole, in integers, however the time is cut.
//
// What a station counts itself is read like a meter: its counter is a curve and
// the timeline only splits it. A message that gets lost on the way costs
// resolution (the next one bridges a longer stretch), never hours. Only a
// station without counters is counted from its timeline, and marked so.
//
// # Building a part
//
// A build that starts at an accepted value gives the same segments as a build
// from the first value. Because a fall of a register is judged with the help of
// up to LookAhead later values, the judgement of the newest LookAhead values
// may still change; who adds values at the end starts at an accepted value that
// has at least LookAhead values between it and the first new one. Likewise a
// StartCurve has to begin with a span in a known state that begins before the
// stretch of interest.
//
// Everything here is a pure function of its arguments. Slices that are passed
// in are neither changed nor kept, unless documented.
package ledger
