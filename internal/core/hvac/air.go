package hvac

import "math"

// Air is a state of moist air.
type Air struct {
	Celsius  float64
	Humidity float64 // relative, 0 to 1
}

// Properties of dry air and water vapour for energy balances.
const (
	density      = 1.2   // kg/m³ of standard air at sea level
	heatOfAir    = 1.006 // kJ/(kg K)
	heatOfVapour = 1.86  // kJ/(kg K)
	evaporation  = 2501  // kJ/kg at 0 °C
	// StandardPressure is that of the air at sea level, Pa.
	StandardPressure = 101_325
)

// Saturation is the pressure of saturated vapour over water in Pa, 0 to 200 °C.
func Saturation(celsius float64) float64 {
	t := celsius + 273.15
	return math.Exp(-5800.2206/t + 1.3914993 - 0.048640239*t + 4.1764768e-5*t*t - 1.4452093e-8*t*t*t + 6.5459673*math.Log(t))
}

// Moisture is the humidity ratio in kilograms of water per kilogram of dry air at a
// pressure in Pa.
func (a Air) Moisture(pressure float64) float64 {
	vapour := a.Humidity * Saturation(a.Celsius)
	return 0.621945 * vapour / (pressure - vapour)
}

// Enthalpy is that of moist air in kJ per kilogram of dry air.
func (a Air) Enthalpy(pressure float64) float64 {
	return heatOfAir*a.Celsius + a.Moisture(pressure)*(evaporation+heatOfVapour*a.Celsius)
}

// Density is that of air for flows, in kg/m³, at a height above the sea in metres.
func Density(height float64) float64 { return density * thinner(height) }

// Pressure is that of the air in Pa at a height above the sea in metres.
func Pressure(height float64) float64 { return StandardPressure * thinner(height) }

// thinner is the share that a height leaves of the air at sea level.
func thinner(height float64) float64 { return math.Pow(1-2.25577e-5*height, 5.2559) }

// SensibleKW is the heat in kW that a flow of air in m³/s takes to become warmer by
// so many kelvin.
func SensibleKW(flow, kelvin, height float64) float64 {
	return Density(height) * flow * heatOfAir * kelvin
}

// TotalKW is the heat in kW that is taken from a flow of outdoor air in m³/s to bring
// it to the state indoors, moisture included; negative when it is added.
func TotalKW(flow float64, outdoors, indoors Air, height float64) float64 {
	p := Pressure(height)
	return Density(height) * flow * (outdoors.Enthalpy(p) - indoors.Enthalpy(p))
}

// COPFromEER makes a coefficient of performance of an energy efficiency ratio in
// Btu/Wh. Source: 1 W = 3.412142 Btu/h.
func COPFromEER(eer float64) float64 { return eer / 3.412142 }
