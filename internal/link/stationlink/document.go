package stationlink

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// parse reads the whole payload as one JSON document. Numbers keep their digits.
func parse(payload []byte) (any, error) {
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var root any
	if err := d.Decode(&root); err != nil {
		if errors.Is(err, io.EOF) {
			err = errors.New("the message is empty")
		}
		return nil, err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("there is text after the document")
	}
	return root, nil
}

// path is where in a document a value stands; a nil path is not offered.
type path []string

func newPath(dotted string) path {
	if dotted == "" {
		return nil
	}
	return strings.Split(dotted, ".")
}

func (p path) String() string { return strings.Join(p, ".") }

// in finds the value in a document. Items of lists are counted from 0. A null is
// no value.
func (p path) in(root any) (any, bool) {
	if p == nil {
		return nil, false
	}
	v := root
	for _, name := range p {
		switch node := v.(type) {
		case map[string]any:
			v = node[name]
		case []any:
			i, err := strconv.Atoi(name)
			if err != nil || i < 0 || i >= len(node) {
				return nil, false
			}
			v = node[i]
		default:
			return nil, false
		}
	}
	return v, v != nil
}

// word gives a text, number or truth value as a word.
func word(v any) (string, bool) {
	switch v := v.(type) {
	case string:
		return v, true
	case json.Number:
		return v.String(), true
	case bool:
		return strconv.FormatBool(v), true
	default:
		return "", false
	}
}

// fold makes words comparable: state words differ in more than their case.
func fold(word string) string { return strings.ToLower(strings.TrimSpace(word)) }

var (
	errNotNumber = errors.New("expected a number")
	errNegative  = errors.New("expected a number of 0 or more")
	errNotWhole  = errors.New("expected a whole number of 0 or more")
	errTooLarge  = errors.New("the number is too large")
)

// rational gives a JSON number exactly. Numbers of more digits than any counter
// has are refused, because an exponent can ask for any amount of memory.
func rational(v any) (*big.Rat, error) {
	n, ok := v.(json.Number)
	if !ok {
		return nil, errNotNumber
	}
	const maxDigits, maxExponent = 60, 40
	mantissa, exponent := n.String(), "0"
	if i := strings.IndexAny(mantissa, "eE"); i >= 0 {
		mantissa, exponent = mantissa[:i], mantissa[i+1:]
	}
	e, err := strconv.Atoi(exponent)
	if err != nil || e < -maxExponent || e > maxExponent || len(mantissa) > maxDigits {
		return nil, errTooLarge
	}
	r, ok := new(big.Rat).SetString(n.String())
	if !ok {
		return nil, errNotNumber
	}
	return r, nil
}

// scaled gives the whole part of v × scale for a number of 0 or more.
func scaled(v any, scale *big.Rat) (int64, error) {
	r, err := rational(v)
	if err != nil {
		return 0, err
	}
	if r.Sign() < 0 {
		return 0, errNegative
	}
	r.Mul(r, scale)
	whole := new(big.Int).Quo(r.Num(), r.Denom())
	if !whole.IsInt64() {
		return 0, errTooLarge
	}
	return whole.Int64(), nil
}

// count gives a whole number of 0 or more.
func count(v any) (int64, error) {
	r, err := rational(v)
	switch {
	case err != nil:
		return 0, err
	case r.Sign() < 0 || !r.IsInt():
		return 0, errNotWhole
	case !r.Num().IsInt64():
		return 0, errTooLarge
	}
	return r.Num().Int64(), nil
}

// finite gives a number as a float.
func finite(v any) (float64, error) {
	n, ok := v.(json.Number)
	if !ok {
		return 0, errNotNumber
	}
	f, err := n.Float64()
	if err != nil || math.IsInf(f, 0) {
		return 0, errTooLarge
	}
	return f, nil
}

// shown writes a value for a message to a person, shortened.
func shown(v any) string {
	switch v := v.(type) {
	case map[string]any:
		return "an object"
	case []any:
		return "a list"
	case string:
		return fmt.Sprintf("%q", short(v))
	default:
		return short(fmt.Sprint(v))
	}
}

func short(s string) string {
	const limit = 40
	if r := []rune(s); len(r) > limit {
		return string(r[:limit]) + "…"
	}
	return s
}
