package savings

// Fraction gives the part of before that is saved when after is used instead.
// It is 0 when before is 0.
func Fraction(before, after float64) float64 {
	if before == 0 {
		return 0
	}
	return (before - after) / before
}

// MeanKW gives the mean power in kilowatts of an amount of energy over hours,
// usually the scheduled ones. It is 0 when there are no hours.
func MeanKW(kwh, hours float64) float64 {
	if hours <= 0 {
		return 0
	}
	return kwh / hours
}

// CarbonKg gives kilograms CO2-equivalent of an amount of electricity at a
// factor in kilograms per kilowatt-hour.
func CarbonKg(kwh, kgPerKWh float64) float64 { return kwh * kgPerKWh }
