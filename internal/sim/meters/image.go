package meters

import (
	"math"

	"curetally/internal/sim"
)

// image is the register map of a meter at one instant: the function that reads
// it, the address of the first register and the registers. It matches the
// profiles in the demo configuration.
func image(profile string, counts uint64, watts float64) (function uint8, first uint16, words []uint16) {
	whole := uint64(math.Round(watts))
	switch profile {
	case sim.ProfileWh32:
		return 3, 256, join(high(counts, 2), high(whole, 2))
	case sim.ProfileKWh6:
		// Low word first; power after two unused registers.
		return 3, 40, join([]uint16{uint16(counts), uint16(counts >> 16)}, make([]uint16, 2), high(whole, 1))
	case sim.ProfileWh64:
		return 4, 0, join(high(counts, 4), make([]uint16, 4), high(uint64(math.Float32bits(float32(watts))), 2))
	default: // sim.ProfileSerial begins with its kind and unit, as an anchor
		return 3, 12, join([]uint16{0x4d45, 21, 0, 0}, high(counts, 2), high(uint64(math.Round(watts*10)), 2))
	}
}

// high lays a number into n registers, high word first.
func high(v uint64, n int) []uint16 {
	out := make([]uint16, n)
	for i := range n {
		out[i] = uint16(v >> (16 * (n - 1 - i)))
	}
	return out
}

func join(parts ...[]uint16) []uint16 {
	var out []uint16
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}
