// Package plantfile writes the configuration with which a daemon meters the
// virtual plant: names, register maps, topics, technology by date and the
// savings project.
//
// The text is YAML in the form that every plant's configuration has, so the demo
// enters by the same door as a real plant. It is made from an embedded template
// and the facts of package sim, and two worlds of the same options give the same
// text.
package plantfile

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
	"text/template"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
	"curetally/internal/sim/curing"
)

//go:embed demo.yaml.tmpl
var demoTemplate string

// Addresses are where the parts of a running demo are found. Listen, DataDir
// and DatabaseURL may be empty: then the configuration does not name them.
type Addresses struct {
	MeterTCP, MeterRTU, Broker   string // URLs
	Listen, DataDir, DatabaseURL string
}

// configMeter is a meter as the template writes it.
type configMeter struct {
	ID      plant.MeterID
	Bus     string
	Unit    uint8
	Profile string
	Watts   string
	Station plant.StationID
	// Accuracy is a mapping in YAML.
	Accuracy string
}

type configStation struct {
	ID     plant.StationID
	Number int
}

// configText is what the template is filled with.
type configText struct {
	Addresses
	Site, Zone, Holidays, Offline string
	Area, Length                  string
	Press                         plant.PressID
	Meters                        []configMeter
	Stations                      []configStation
	Boundary                      []plant.MeterID
	Period, Silence               time.Duration
	LampKind, First, ChangeMinute string
	BaselineFrom, BaselineTo      string
	ReportingFrom                 string
}

// Text is the configuration of a plant whose parts are found at the given
// addresses.
func Text(w *sim.World, a Addresses) (string, error) {
	o := w.Options()
	change := o.Changeover.In(o.Zone)
	text := configText{
		Addresses: a, Site: sim.Company, Zone: o.Zone.String(), Offline: sim.OfflineWord, Press: sim.Press,
		Area: sim.ValueArea, Length: sim.ValueLength, Period: 2 * time.Second,
		Silence: sim.StatusPeriod + 5*time.Minute, LampKind: curing.KindLED,
		ChangeMinute:  change.Format("2006-01-02 15:04"),
		BaselineTo:    change.Format(time.DateOnly),
		BaselineFrom:  nextDay(o.Start, o.Zone).Format(time.DateOnly),
		ReportingFrom: nextDay(change.Add(time.Minute), o.Zone).Format(time.DateOnly),
	}
	if o.Changeover.After(o.Start) {
		text.First = plant.TechnologyArc.String()
	}
	if !o.Changeover.Before(o.Now) {
		text.LampKind = curing.KindArc
	}
	var days []string
	for _, d := range w.Holidays() {
		days = append(days, d.Format(time.DateOnly))
	}
	text.Holidays = strings.Join(days, ", ")
	if err := text.mount(w); err != nil {
		return "", err
	}
	t, err := template.New("demo.yaml").Funcs(template.FuncMap{"quote": strconv.Quote}).Parse(demoTemplate)
	if err != nil {
		return "", fmt.Errorf("demo configuration: %w", err)
	}
	var b strings.Builder
	if err := t.Execute(&b, text); err != nil {
		return "", fmt.Errorf("demo configuration: %w", err)
	}
	return b.String(), nil
}

// mount fills in stations, meters and boundary.
func (c *configText) mount(w *sim.World) error {
	owner := map[plant.MeterID]plant.StationID{}
	for i, id := range sim.StationIDs() {
		c.Stations = append(c.Stations, configStation{id, i + 1})
		owner[sim.StationMeter(id)] = id
	}
	for _, id := range sim.Meters() {
		unit, layout, err := w.Mounting(id)
		if err != nil {
			return err
		}
		m := configMeter{
			ID: id, Bus: "gateway", Unit: unit, Profile: layout.Profile, Station: owner[id],
			Watts: strconv.FormatFloat(sim.Rated(id), 'f', -1, 64), Accuracy: plates(id),
		}
		if layout.Profile == sim.ProfileSerial {
			m.Bus = "supply-line"
		}
		c.Meters = append(c.Meters, m)
		if id != sim.MeterSupply {
			c.Boundary = append(c.Boundary, id)
		}
	}
	return nil
}

// oversized is the meter whose transformers were sized for an arc lamp and stayed
// in their place at the conversion.
const oversized plant.MeterID = "heron-6-meter"

// plates is what stands on a meter and on its transformers, and the power factor
// of its load.
func plates(id plant.MeterID) string {
	switch id {
	case oversized:
		return `{class: "1", ct: {amperes: 100, class: "0.5", independent: 3}, power_factor: 0.95}`
	case sim.MeterSupply:
		return `{class: 0.5S, ct: {amperes: 200, class: 0.5S, independent: 3}, power_factor: 0.95}`
	case sim.MeterExhaust, sim.MeterChiller:
		return `{class: "1", amperes: 5, power_factor: 0.85}`
	default:
		return `{class: "1", amperes: 5, power_factor: 0.95}`
	}
}

// nextDay is the first local midnight at or after t.
func nextDay(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	day := time.Date(y, m, d, 0, 0, 0, 0, zone)
	if day.Before(t) {
		day = time.Date(y, m, d+1, 0, 0, 0, 0, zone)
	}
	return day
}
