// Package sim is an invented plant that behaves like a real one: the works of
// Alder Lane Labels with its press Heron, eight curing stations, eleven power
// meters, a working calendar, jobs, stops, faults and lamp changes, converted
// from mercury arc to LED on one weekend.
//
// The plant is a pure function of time. New draws the whole calendar from a
// seed; after that every state, counter and meter register can be asked for at
// any instant and gives the same answer, so months of history and the live
// servers of the subpackages meters and controllers continue each other without
// seam. Energy is integrated exactly, in whole milliwatt-milliseconds, over pieces of
// constant power; registers are that integral counted in the meter's own steps.
//
// Company, press and people do not exist. The figures of the model (power,
// shares of run, make-ready and stops, lamp life) are own computation from
// typical values; Common practice, no source. History also holds what real
// plants have: a register that rolls over, an exchanged meter, an outage of the
// meter gateway, lost and repeated messages, a wrong device clock.
//
// Package presswork lays the press, curing the stations; plantfile writes the
// configuration that goes with the plant; broker carries its messages.
//
// A World is immutable after New and safe for concurrent use.
package sim
