package profiles

import (
	"fmt"
	"math"
	"math/big"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

// energyUnit is how many milliwatt-hours a unit of energy is; 0 for other units.
func energyUnit(unit string) int64 {
	switch unit {
	case "mWh":
		return 1
	case "Wh":
		return 1000
	case "kWh":
		return 1_000_000
	case "MWh":
		return 1_000_000_000
	default:
		return 0
	}
}

// widthOf is the number of bits of an unsigned type, and of a signed one that
// counts both ways; 0 for the others, which do not start again by themselves.
func widthOf(v plant.ProfileValue) uint {
	if v.Type.Unsigned() || v.Net && v.Type.Signed() {
		return 16 * uint(v.Type.Words())
	}
	return 0
}

// perCount is how many milliwatt-hours of the meter's own one raw count is.
func perCount(v plant.ProfileValue) *big.Rat {
	r := new(big.Rat).SetInt64(energyUnit(v.Unit))
	return r.Mul(r, strictyaml.Decimal(v.Scale).Rat())
}

// modulus is the amount at which a register starts again, in milliwatt-hours as
// the meter shows them.
// It is 0 when the register does not, when the scale comes with each reading,
// and when the amount is beyond int64 and so beyond any meter's life.
func modulus(v plant.ProfileValue) (int64, error) {
	counts := new(big.Int).SetUint64(v.ModulusCounts)
	if v.ModulusCounts == 0 {
		width := widthOf(v)
		if width == 0 {
			return 0, nil
		}
		counts.Lsh(big.NewInt(1), width)
	}
	if v.ScaleRegister != nil {
		return 0, nil
	}
	amount := new(big.Rat).SetInt(counts)
	amount.Mul(amount, perCount(v))
	if !amount.IsInt() {
		return 0, fmt.Errorf("the register starts again at %s mWh, which is not a whole number", amount.FloatString(3))
	}
	if !amount.Num().IsInt64() {
		return 0, nil
	}
	return amount.Num().Int64(), nil
}

// Limits is what the configuration alone says about an energy register, in
// milliwatt-hours.
type Limits struct {
	Modulus int64 // as the meter shows it, before any ratio
	// Resolution is the smallest step that the register can make, at least 1, in
	// primary milliwatt-hours.
	//
	// Whole counts: one count. Counts with a scale register: a thousand counts
	// at exponent 0, since the exponent is known only with the reading and
	// exponents above 3 do not occur with energy in watt-hours. Floats: two
	// steps of the mantissa at the amount that the rated power makes in ten
	// years, since both ends of a difference are rounded; beyond that amount
	// FloatBits tells how the step grows.
	Resolution int64
	// FloatBits is the number of significant bits of a float, 0 for others; beyond
	// those ten years it tells how the step grows.
	// Source: IEEE 754-2019, table 3.5.
	FloatBits uint8
}

// LimitsOf works out the limits of a cumulative value behind transformers of at
// most the given ratio and with the rated power in watts. The error says that the modulus is
// no whole number of milliwatt-hours.
func LimitsOf(v plant.ProfileValue, ratio, maxPower float64) (Limits, error) {
	const tenYearsHours = 87_660
	m, err := modulus(v)
	if err != nil {
		return Limits{}, err
	}
	count, _ := perCount(v).Float64()
	count *= ratio
	step, bits := count, uint8(0)
	switch {
	case v.Type == plant.Float32:
		top := float32(maxPower * tenYearsHours * 1000 / count)
		step, bits = 2*count*float64(math.Nextafter32(top, math.MaxFloat32)-top), 24
	case v.Type == plant.Float64:
		top := maxPower * tenYearsHours * 1000 / count
		step, bits = 2*count*(math.Nextafter(top, math.MaxFloat64)-top), 53
	case v.ScaleRegister != nil:
		step = 1000 * count
	}
	return Limits{Modulus: m, Resolution: int64(math.Ceil(min(max(step, 1), 1e15))), FloatBits: bits}, nil
}
