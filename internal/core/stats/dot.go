package stats

import "math"

// dot sums products as if in twice the working precision: each product and each
// sum is split exactly into a rounded part and what rounding lost (Ogita, Rump,
// Oishi 2005, "Accurate sum and dot product"; from memory).
type dot struct{ sum, lost float64 }

// add adds a·b.
func (d *dot) add(a, b float64) {
	product := float64(a * b) // the conversion forbids fusing it into the sum
	d.lost += math.FMA(a, b, -product)
	sum := d.sum + product
	part := sum - d.sum
	d.lost += (d.sum - (sum - part)) + (product - part)
	d.sum = sum
}

// value rounds the sum to float64.
func (d *dot) value() float64 { return d.sum + d.lost }
