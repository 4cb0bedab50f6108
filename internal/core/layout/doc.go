// Package layout lays a meter's profile over registers as they were read, under
// the configured and under other word orders, byte orders and addresses off by one,
// and says which values could be true.
//
// The wrong order of words or bytes, and an address counted from 1 instead of 0,
// are what a new meter is most often configured with. Seen side by side, the right
// setting shows itself: only under it do all values lie where mains voltages,
// frequencies and loads lie.
//
// Decoding here is for showing: values are float64 in one unit per quantity. What
// is stored comes from the meter link, in whole milliwatt-hours; a test there holds
// that both read the same.
package layout
