package survey

import (
	"math"
	"testing"
)

func TestBeforeEnergy(t *testing.T) {
	// Source: JCGM 100 equations 10 and 12, worked out by hand for P = √3·V·I·PF with
	// limits of 0.5 %, 1 % and 0.01: 27.158729175 kW, standard uncertainty 0.2426046518 kW.
	arc := Load{
		Count: 1, Volts: Quantity{Value: 401.2, Within: 0.005 * 401.2}, Amperes: Quantity{Value: 41.8, Within: 0.01 * 41.8}, Phases: 3,
		Factor: Quantity{Value: 0.935, Within: 0.01},
	}
	hours := Quantity{Value: 4100, Standard: 150}
	kwh, u := Survey{Hours: hours, Before: System{Loads: []Load{arc}}}.BeforeEnergy()
	if want := 27.158729175 * 4100; math.Abs(kwh-want) > 1e-4 {
		t.Errorf("%v kWh, want %v", kwh, want)
	}
	if want := math.Hypot(0.2426046518*4100, 27.158729175*150); math.Abs(u-want) > 1e-3 {
		t.Errorf("± %v kWh, want %v", u, want)
	}

	// Hours of two loads are one figure, whose error does not average out; those of
	// their own do.
	fixed := func(own *Quantity) Load { return Load{Count: 1, Kilowatts: &Quantity{Value: 10}, Hours: own} }
	_, common := Survey{Hours: hours, Before: System{Loads: []Load{fixed(nil), fixed(nil)}}}.BeforeEnergy()
	_, apart := Survey{Hours: hours, Before: System{Loads: []Load{fixed(&hours), fixed(&hours)}}}.BeforeEnergy()
	if math.Abs(common-2*10*150) > 1e-6 || math.Abs(apart-math.Sqrt2*10*150) > 1e-6 {
		t.Errorf("common hours ± %v kWh, hours apart ± %v kWh", common, apart)
	}
}
