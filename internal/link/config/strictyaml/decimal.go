package strictyaml

import (
	"math/big"
	"strings"
)

// Decimal is an exact decimal number as written, for example "0.01" or "40".
// Empty means that none was given.
type Decimal string

// UnmarshalText accepts at most 12 digits before and after the point.
func (d *Decimal) UnmarshalText(text []byte) error {
	s := string(text)
	whole, fraction, point := strings.Cut(strings.TrimPrefix(s, "-"), ".")
	digits := func(s string) bool { return s != "" && len(s) <= 12 && strings.Trim(s, "0123456789") == "" }
	if !digits(whole) || point && !digits(fraction) || leadingZero(whole) {
		return &Mistake{"expected a decimal number", "write digits with a point, for example 0.01 or 40, at most 12 before and after it"}
	}
	*d = Decimal(s)
	return nil
}

// Rat gives the exact value; 1 when none was given.
func (d Decimal) Rat() *big.Rat {
	r, ok := new(big.Rat).SetString(string(d))
	if !ok {
		return big.NewRat(1, 1)
	}
	return r
}
