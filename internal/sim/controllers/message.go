package controllers

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim"
)

// StatusTopic is where a station reports: its number behind the press's name.
func StatusTopic(id plant.StationID) string {
	return fmt.Sprintf("alder/%s/%s/status", sim.Press, string(id)[len(sim.Press)+1:])
}

// PressTopic is where the press reports.
func PressTopic() string { return fmt.Sprintf("alder/%s/press", sim.Press) }

type statusMessage struct {
	Time     string         `json:"ts"`
	Boot     string         `json:"boot"`
	Sequence int64          `json:"seq"`
	State    string         `json:"state"`
	Source   string         `json:"source"`
	Counters statusCounters `json:"counters"`
	Power    float64        `json:"power_pct"`
	Housing  float64        `json:"housing_c"`
}

type statusCounters struct {
	Lit    json.Number `json:"lit_s"` // seconds with three decimals
	Starts int64       `json:"starts"`
}

type pressMessage struct {
	Time   string      `json:"ts"`
	State  string      `json:"state"` // running, setting or standing
	Speed  float64     `json:"speed_m_min"`
	Area   json.Number `json:"area_m2"`
	Length json.Number `json:"length_m"`
}

const instantForm = "2006-01-02T15:04:05.000Z"

// Status is the payload of a station at an instant.
func Status(w *sim.World, id plant.StationID, t time.Time) ([]byte, error) {
	e := w.Event(id, t)
	share := w.Share(id, t)
	return json.Marshal(statusMessage{
		Time: e.At.Format(instantForm), Boot: e.Boot, Sequence: e.Sequence,
		State: e.State.String(), Source: e.Technology.String(),
		Counters: statusCounters{Lit: decimals(e.LitMillis, 3), Starts: e.Starts},
		Power:    math.Round(share * 100),
		Housing:  math.Round((22+45*share)*10) / 10, // a warm housing in a room of 22 °C
	})
}

// PressStatus is the payload of the press at an instant.
func PressStatus(w *sim.World, t time.Time) ([]byte, error) {
	t = t.UTC().Truncate(time.Millisecond)
	web := w.Web(t)
	state := "standing"
	switch {
	case web.Running:
		state = "running"
	case web.Moving:
		state = "setting"
	}
	return json.Marshal(pressMessage{
		Time: t.Format(instantForm), State: state, Speed: float64(web.Speed) / 1000,
		Area: decimals(web.AreaCm2, 4), Length: decimals(web.LengthMm, 3),
	})
}

// decimals writes a whole number of smallest units as an exact decimal.
func decimals(v int64, places int) json.Number {
	unit := int64(math.Pow10(places))
	return json.Number(fmt.Sprintf("%d.%0*d", v/unit, places, v%unit))
}
