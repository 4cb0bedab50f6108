package acts

import (
	"context"
	"errors"

	"curetally/cmd/curetally/desk"
	"curetally/internal/app/deeds"
	"curetally/internal/core/plant"
)

// LampReading records the output of a lamp as it was read by hand.
type LampReading struct {
	desk.Site
	Who
	When
	Station    string  `arg:"" help:"Station where it was read."`
	Irradiance float64 `required:"" help:"Peak irradiance in W/cm² as the instrument shows it." placeholder:"W"`
	Drive      float64 `help:"Power setting at which it was read, in percent of full power; 100 by default. The reading is divided by it." default:"100" placeholder:"PERCENT"`
	Instrument string  `help:"Instrument and band, for example \"puck UV-A\": readings of different instruments are never compared." placeholder:"TEXT"`
	Cleaned    bool    `help:"Read right after the lens was cleaned."`
	Note       string  `help:"What was seen." placeholder:"TEXT"`
}

// Validate refuses readings that are none.
func (c LampReading) Validate() error {
	if !(c.Irradiance > 0 && c.Irradiance <= 1000) {
		return errors.New("--irradiance: expected a number above 0 and at most 1000 W/cm²")
	}
	if !(c.Drive > 0 && c.Drive <= 200) {
		return errors.New("--drive: expected percent of full power, above 0")
	}
	return nil
}

// Run records the reading.
func (c LampReading) Run(ctx context.Context, s desk.Surroundings) error {
	return record(ctx, c.Site, s, func(b deeds.Book) (string, error) {
		at, err := c.parse(b.Plant.TimeZone)
		if err != nil {
			return "", err
		}
		return b.ReadOutput(ctx, plant.OutputReading{
			Station: plant.StationID(c.Station), At: at, Irradiance: c.Irradiance, Drive: c.Drive / 100, Instrument: c.Instrument,
			Cleaned: c.Cleaned, By: c.By, Note: c.Note,
		})
	})
}
