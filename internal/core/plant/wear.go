package plant

import "time"

// WearLaw says how one lit hour wears a kind of lamp, by drive and temperature.
// The zero value weighs every hour alike.
type WearLaw struct {
	// DriveExponent: an hour at the share d of full power wears like d to this
	// power hours; 0 when drive does not matter.
	DriveExponent float64
	// ReferenceCelsius is the temperature at which an hour counts as one.
	ReferenceCelsius float64
	// HalvesPerKelvin: the life halves with every so many kelvin more; 0 when
	// temperature does not matter, or ActivationEnergy says how.
	HalvesPerKelvin float64
	// ActivationEnergy is that of the Arrhenius law in electronvolt; 0 when it is
	// not used.
	ActivationEnergy float64
}

// ByDrive says whether the law asks for the drive.
func (l WearLaw) ByDrive() bool { return l.DriveExponent > 0 }

// ByTemperature says whether the law asks for a temperature.
func (l WearLaw) ByTemperature() bool { return l.HalvesPerKelvin > 0 || l.ActivationEnergy > 0 }

// Wear is how the lit time of one station is weighed.
type Wear struct {
	Law WearLaw
	// Technology is the light that the law is about; the hours of any other count
	// as they are.
	Technology Technology
	// Drive and Temperature name the signals of the station; empty for one that it
	// does not offer.
	Drive, Temperature string
	// Hold is how long a value holds when no newer one comes.
	Hold time.Duration
}

// Signals lists the signals that are asked for.
func (w Wear) Signals() []string {
	var out []string
	for _, name := range []string{w.Drive, w.Temperature} {
		if name != "" {
			out = append(out, name)
		}
	}
	return out
}
