package meterlink

import (
	"errors"
	"fmt"
	"math/big"
	"regexp"
	"strings"

	"curetally/internal/core/plant"
)

// value is one value of a meter, ready to decode.
type value struct {
	name                     string
	kind                     plant.WordType
	littleWords, littleBytes bool
	cumulative               bool
	scaled                   bool // has a scale register
	noValue                  *uint64
	// register names the fact of a cumulative value, signal that of a momentary
	// one.
	register plant.RegisterID
	signal   string
	// factors has one entry, or with a scale register one for each exponent
	// from minExponent on; moduli goes with them.
	factors []factor
	moduli  []int64
	// at is where the answers hold the value; scaleAt where they hold its scale
	// register.
	at, scaleAt place
}

// unitRule says what a unit of a profile becomes.
type unitRule struct {
	ratio      int64  // mWh per unit of energy; base units per unit otherwise
	suffix     string // of the signal's name
	multiplied bool   // current and voltage transformer ratios apply here; to energy they apply when the curve is built
	energy     bool
}

// ruleOf gives the rule of a unit; false for a unit that is not known.
func ruleOf(unit string) (unitRule, bool) {
	switch unit {
	case "mWh":
		return unitRule{ratio: 1, energy: true}, true
	case "Wh":
		return unitRule{ratio: 1_000, energy: true}, true
	case "kWh":
		return unitRule{ratio: 1_000_000, energy: true}, true
	case "MWh":
		return unitRule{ratio: 1_000_000_000, energy: true}, true
	case "W":
		return unitRule{ratio: 1, suffix: "_watts", multiplied: true}, true
	case "kW":
		return unitRule{ratio: 1000, suffix: "_watts", multiplied: true}, true
	case "A":
		return unitRule{ratio: 1, suffix: "_amperes", multiplied: true}, true
	case "V":
		return unitRule{ratio: 1, suffix: "_volts"}, true
	case "Hz":
		return unitRule{ratio: 1, suffix: "_hertz"}, true
	case "":
		return unitRule{ratio: 1}, true
	default:
		return unitRule{}, false
	}
}

// compileValues checks the values of a profile and prepares them for one meter.
// The error joins one message for every bad field.
func compileValues(m plant.Meter) ([]value, error) {
	multiplier, err := positiveDecimal(m.Multiplier)
	var errs []error
	if err != nil {
		errs = append(errs, fmt.Errorf("meter %s: multiplier %q: %w", m.ID, m.Multiplier, err))
		multiplier = big.NewRat(1, 1)
	}
	seen := map[string]bool{}
	var values []value
	for _, pv := range m.Profile.Values {
		bad := checkValue(pv)
		if seen[pv.Name] {
			bad = append(bad, errors.New("the name is used twice: give each value its own"))
		}
		seen[pv.Name] = true
		for _, err := range bad {
			errs = append(errs, fmt.Errorf("profile %s, value %s: %w", m.Profile.Name, pv.Name, err))
		}
		if len(bad) == 0 {
			values = append(values, compileValue(m.ID, pv, multiplier))
		}
	}
	if len(m.Profile.Values) == 0 {
		errs = append(errs, fmt.Errorf("profile %s has no values: expected at least one register to read", m.Profile.Name))
	}
	for i, a := range m.Profile.Anchors {
		if err := checkAnchor(a); err != nil {
			errs = append(errs, fmt.Errorf("profile %s, anchor %d: %w", m.Profile.Name, i+1, err))
		}
	}
	return values, errors.Join(errs...)
}

// checkValue lists what is wrong with one value of a profile.
func checkValue(pv plant.ProfileValue) []error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if err := plant.ValidName(pv.Name); err != nil {
		errs = append(errs, err)
	}
	if err := checkFunction(pv.Function); err != nil {
		errs = append(errs, err)
	}
	words := pv.Type.Words()
	if words == 0 {
		bad("type %q: expected one of %v", pv.Type, plant.WordTypes())
	}
	if int(pv.Address)+int(words) > addressSpace {
		bad("address %d: a %s there ends after the last address 65535", pv.Address, pv.Type)
	}
	rule, known := ruleOf(pv.Unit)
	switch {
	case !known:
		bad("unit %q: expected mWh, Wh, kWh, MWh, W, kW, V, A, Hz or none", pv.Unit)
	case pv.Cumulative && !rule.energy:
		bad("unit %q: a cumulative value counts energy: expected mWh, Wh, kWh or MWh", pv.Unit)
	case !pv.Cumulative && rule.energy:
		bad("unit %q: energy is cumulative: set cumulative, or give the unit of a momentary value", pv.Unit)
	}
	scale, err := parseDecimal(pv.Scale)
	switch {
	case err != nil:
		bad("scale %q: %w", pv.Scale, err)
	case pv.Cumulative && scale.Sign() < 0:
		bad("scale %q: a cumulative register counts up: expected a positive number", pv.Scale)
	}
	switch limit, isUnsigned := unsignedModulus(pv.Type); {
	case pv.ModulusCounts > 0 && !pv.Cumulative:
		bad("modulus %d: only a cumulative register starts again", pv.ModulusCounts)
	case pv.ModulusCounts > 0 && isUnsigned && new(big.Int).SetUint64(pv.ModulusCounts).Cmp(limit) > 0:
		bad("modulus %d: a %s starts again at %s at the latest", pv.ModulusCounts, pv.Type, limit)
	}
	if pv.NoValue != nil && words > 0 && words < 4 && *pv.NoValue>>(16*words) != 0 {
		bad("no_value %#x does not fit a %s", *pv.NoValue, pv.Type)
	}
	return errs
}

func checkFunction(f uint8) error {
	if f != functionHolding && f != functionInput {
		return fmt.Errorf("function %d: expected 3 (holding registers) or 4 (input registers)", f)
	}
	return nil
}

func checkAnchor(a plant.Anchor) error {
	if err := checkFunction(a.Function); err != nil {
		return err
	}
	if len(a.Words) == 0 || len(a.Words) > maxRegisters {
		return fmt.Errorf("%d words: expected 1 to %d", len(a.Words), maxRegisters)
	}
	if int(a.Address)+len(a.Words) > addressSpace {
		return fmt.Errorf("address %d: %d words there end after the last address 65535", a.Address, len(a.Words))
	}
	return nil
}

// compileValue prepares a value that checkValue has passed.
func compileValue(id plant.MeterID, pv plant.ProfileValue, multiplier *big.Rat) value {
	rule, _ := ruleOf(pv.Unit)
	base, _ := parseDecimal(pv.Scale) // checked
	base.Mul(base, new(big.Rat).SetInt64(rule.ratio))
	if rule.multiplied {
		base.Mul(base, multiplier)
	}
	v := value{
		name: pv.Name, kind: pv.Type,
		littleWords: pv.LittleWords, littleBytes: pv.LittleBytes,
		cumulative: pv.Cumulative, scaled: pv.ScaleRegister != nil, noValue: pv.NoValue,
	}
	if pv.Cumulative {
		v.register = plant.RegisterOf(id, pv.Name)
	} else {
		v.signal = strings.ReplaceAll(pv.Name, "-", "_") + rule.suffix
	}
	if !v.scaled {
		v.factors = []factor{newFactor(base)}
		return v
	}
	modulus := modulusCounts(pv)
	for e := minExponent; e <= maxExponent; e++ {
		ratio := new(big.Rat).Mul(base, powerOfTen(e))
		v.factors = append(v.factors, newFactor(ratio))
		v.moduli = append(v.moduli, scaledModulus(modulus, ratio))
	}
	return v
}

// modulusCounts is the raw count at which a value starts again: as declared, or
// the width of an unsigned type, or of a signed one that counts both ways; nil when
// it never does.
func modulusCounts(pv plant.ProfileValue) *big.Int {
	if pv.ModulusCounts > 0 {
		return new(big.Int).SetUint64(pv.ModulusCounts)
	}
	if limit, ok := unsignedModulus(pv.Type); ok {
		return limit
	}
	if pv.Net && pv.Type.Signed() {
		return new(big.Int).Lsh(big.NewInt(1), 16*uint(pv.Type.Words()))
	}
	return nil
}

// unsignedModulus is 2 to the width of an unsigned type; false for others.
func unsignedModulus(t plant.WordType) (*big.Int, bool) {
	if !t.Unsigned() {
		return nil, false
	}
	return new(big.Int).Lsh(big.NewInt(1), 16*uint(t.Words())), true
}

// scaledModulus is the modulus in units, 0 when it is not a whole number of
// units or does not fit: such a register has no usable modulus.
func scaledModulus(counts *big.Int, ratio *big.Rat) int64 {
	if counts == nil {
		return 0
	}
	m := new(big.Rat).Mul(new(big.Rat).SetInt(counts), ratio)
	if !m.IsInt() || !m.Num().IsInt64() {
		return 0
	}
	return m.Num().Int64()
}

func powerOfTen(e int) *big.Rat {
	p := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(e, -e))), nil)
	if e < 0 {
		return new(big.Rat).SetFrac(big.NewInt(1), p)
	}
	return new(big.Rat).SetInt(p)
}

// decimalForm bounds the digits so that exact arithmetic stays small.
var decimalForm = regexp.MustCompile(`^[+-]?[0-9]{1,18}(\.[0-9]{1,18})?$`)

// parseDecimal reads an exact decimal other than 0; empty is 1.
func parseDecimal(s string) (*big.Rat, error) {
	if s == "" {
		return big.NewRat(1, 1), nil
	}
	if !decimalForm.MatchString(s) {
		return nil, errors.New("expected a decimal number such as 0.01")
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok || r.Sign() == 0 {
		return nil, errors.New("expected a number other than 0")
	}
	return r, nil
}

func positiveDecimal(s string) (*big.Rat, error) {
	r, err := parseDecimal(s)
	if err == nil && r.Sign() < 0 {
		return nil, errors.New("expected a positive number")
	}
	return r, err
}
