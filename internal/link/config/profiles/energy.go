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

// widthOf is the number of bits of an unsigned type; 0 for the others, which do
// not start again from zero by themselves.
func widthOf(t plant.WordType) uint {
	switch t {
	case plant.Uint16:
		return 16
	case plant.Uint32:
		return 32
	case plant.Uint64:
		return 64
	default:
		return 0
	}
}

// perCount is how many milliwatt-hours one raw count is.
func perCount(v plant.ProfileValue, multiplier strictyaml.Decimal) *big.Rat {
	r := new(big.Rat).SetInt64(energyUnit(v.Unit))
	r.Mul(r, strictyaml.Decimal(v.Scale).Rat())
	return r.Mul(r, multiplier.Rat())
}

// modulus is the amount at which a register starts again, in milliwatt-hours.
// It is 0 when the register does not, when the scale comes with each reading,
// and when the amount is beyond int64 and so beyond any meter's life.
func modulus(v plant.ProfileValue, multiplier strictyaml.Decimal) (int64, error) {
	counts := new(big.Int).SetUint64(v.ModulusCounts)
	if v.ModulusCounts == 0 {
		width := widthOf(v.Type)
		if width == 0 {
			return 0, nil
		}
		counts.Lsh(big.NewInt(1), width)
	}
	if v.ScaleRegister != nil {
		return 0, nil
	}
	amount := new(big.Rat).SetInt(counts)
	amount.Mul(amount, perCount(v, multiplier))
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
	Modulus int64
	// Resolution is the smallest step that the register can make, at least 1.
	//
	// Whole counts: one count. Counts with a scale register: a thousand counts
	// at exponent 0, since the exponent is known only with the reading and
	// exponents above 3 do not occur with energy in watt-hours. Floats: two
	// steps of the mantissa at the amount that the rated power makes in ten
	// years, since both ends of a difference are rounded.
	Resolution int64
}

// LimitsOf works out the limits of a cumulative value behind a meter with the
// given multiplier and rated power in watts. The error says that the modulus is
// no whole number of milliwatt-hours.
func LimitsOf(v plant.ProfileValue, multiplier strictyaml.Decimal, maxPower float64) (Limits, error) {
	const tenYearsHours = 87_660
	m, err := modulus(v, multiplier)
	if err != nil {
		return Limits{}, err
	}
	count, _ := perCount(v, multiplier).Float64()
	step := count
	switch {
	case v.Type == plant.Float32:
		top := float32(maxPower * tenYearsHours * 1000 / count)
		step = 2 * count * float64(math.Nextafter32(top, math.MaxFloat32)-top)
	case v.Type == plant.Float64:
		top := maxPower * tenYearsHours * 1000 / count
		step = 2 * count * (math.Nextafter(top, math.MaxFloat64) - top)
	case v.ScaleRegister != nil:
		step = 1000 * count
	}
	return Limits{Modulus: m, Resolution: int64(math.Ceil(min(max(step, 1), 1e15)))}, nil
}
