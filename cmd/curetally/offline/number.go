package offline

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
)

// number is a float64 whose NaN, a figure that does not exist, is null in JSON.
type number float64

// MarshalJSON writes the shortest text that reads back as the same number.
func (n number) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// figure writes a number for people, to about six digits; a dash for none.
func figure(v float64) string {
	switch size := math.Abs(v); {
	case math.IsNaN(v):
		return "-"
	case size == 0:
		return "0"
	case size < 1e-3 || size >= 1e12:
		return strconv.FormatFloat(v, 'g', 6, 64)
	default:
		text := strconv.FormatFloat(v, 'f', max(0, 5-int(math.Floor(math.Log10(size)))), 64)
		if strings.Contains(text, ".") {
			text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
		}
		return text
	}
}

// percent writes a fraction as a percentage; a dash for none.
func percent(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return strconv.FormatFloat(100*v, 'f', 2, 64) + " %"
}
