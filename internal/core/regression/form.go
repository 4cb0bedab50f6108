package regression

import "slices"

// Form is the shape of a model. T is the first driver, ( )+ the larger of the
// value and 0; the other drivers are added linearly to every form but Mean.
type Form string

// The forms, with their parameters for one driver.
const (
	Mean     Form = "mean"     // E = b0
	Linear   Form = "linear"   // E = b0 + Σ bj·xj
	Cooling3 Form = "cooling3" // E = b0 + b1·(T − c)+
	Heating3 Form = "heating3" // E = b0 + b1·(c − T)+
	// Cooling4 and Heating4 are the same equation, E = b0 + b1·(c − T)+ +
	// b2·(T − c)+; the name says on which side one expects the steeper slope.
	Cooling4 Form = "cooling4"
	Heating4 Form = "heating4"
	Five     Form = "five" // E = b0 + b1·(c1 − T)+ + b2·(T − c2)+, c1 ≤ c2
	// Auto is no shape: Fit then chooses one.
	Auto Form = "auto"
)

// kink is what happens at a change point.
type kink int

const (
	rising  kink = iota // flat below, a slope above
	falling             // a slope below, flat above
	bent                // a slope on either side
)

// kinks gives the change points of a form, in rising order.
func (f Form) kinks() []kink {
	switch f {
	case Cooling3:
		return []kink{rising}
	case Heating3:
		return []kink{falling}
	case Cooling4, Heating4:
		return []kink{bent}
	case Five:
		return []kink{falling, rising}
	default:
		return nil
	}
}

// slopes is the number of coefficients at a kink.
func (k kink) slopes() int {
	if k == bent {
		return 2
	}
	return 1
}

// fixed appends the columns of a kink at c.
func (k kink) fixed(row []float64, c, t float64) []float64 {
	if k != rising {
		row = append(row, max(c-t, 0))
	}
	if k != falling {
		row = append(row, max(t-c, 0))
	}
	return row
}

// free appends the columns of lines that meet nowhere in particular, for a kink
// somewhere between the neighbouring values lo and hi: a slope for each sloped
// side, measured from the middle, and the step there.
func (k kink) free(row []float64, lo, hi, t float64) []float64 {
	d := t - (lo + (hi-lo)/2)
	below, above := 0.0, 0.0
	if t <= lo {
		below = 1
	}
	if t >= hi {
		above = 1
	}
	switch k {
	case falling:
		return append(row, d*below, below)
	case rising:
		return append(row, d*above, above)
	default:
		return append(row, d*below, d*above, above)
	}
}

// join gives the value at which the lines of free meet; it is not finite for
// parallel lines.
func (k kink) join(lo, hi float64, b []float64) float64 {
	middle := lo + (hi-lo)/2
	if k == bent {
		return middle + b[2]/(b[0]-b[1])
	}
	return middle - b[1]/b[0]
}

// names gives the names of the coefficients at a kink.
func (k kink) names(driver string) []string {
	switch k {
	case rising:
		return []string{driver + " above"}
	case falling:
		return []string{driver + " below"}
	default:
		return []string{driver + " below", driver + " above"}
	}
}

// names gives the names of the columns of a form.
func (f Form) names(drivers []string) []string {
	if f == Mean {
		return nil
	}
	kinks := f.kinks()
	if kinks == nil {
		return slices.Clone(drivers)
	}
	var out []string
	for _, k := range kinks {
		out = append(out, k.names(drivers[0])...)
	}
	return append(out, drivers[1:]...)
}

// Forms lists every form that can be asked for.
func Forms() []Form {
	return []Form{Mean, Linear, Cooling3, Heating3, Cooling4, Heating4, Five, Auto}
}

// Columns gives the columns of a form for one row of drivers, without the
// intercept's 1; changes are the change points.
func (f Form) Columns(changes, row []float64) []float64 {
	kinks := f.kinks()
	switch {
	case f == Mean:
		return nil
	case kinks == nil:
		return slices.Clone(row)
	}
	out := make([]float64, 0, len(row)+2)
	for i, k := range kinks {
		out = k.fixed(out, changes[i], row[0])
	}
	return append(out, row[1:]...)
}

// Parameters counts coefficients and change points.
func (f Form) Parameters(drivers int) int {
	p := 1
	if f == Mean {
		return p
	}
	kinks := f.kinks()
	for _, k := range kinks {
		p += k.slopes() + 1
	}
	if kinks != nil {
		drivers--
	}
	return p + drivers
}
