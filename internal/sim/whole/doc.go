// Package whole runs the daemon's processes against a virtual plant in virtual
// time, with everything around them failing: meters that do not answer, a broker
// that sends again, a disk that is full, a database that is away or leaves the
// outcome of a commit unknown, kills at any instant, people who act meanwhile, and
// nights on which clocks change. It holds tests only.
//
// The code of collect, record, settle, plan and tell, the clock and the mapping of
// messages are the real ones; only what lies behind their interfaces is not. After
// each stretch of faults all is healed for some minutes, and the invariants are
// computed from what is stored by loops that share nothing with the code under
// test.
//
// Everything follows from a seed. Each task has instants of its own, so that no two
// ever wake at once, every act on the outside takes time, and faults are drawn
// from seed, task and number: the same seed gives the same history up to an orderly
// end, which a hash of it proves. Replay one with
//
//	go test -run TestSeeds -sim.seed=7 -sim.trace ./internal/sim/whole/
//
// Planted bugs wrap the outside and are found, which shows that the simulation can
// see.
package whole
