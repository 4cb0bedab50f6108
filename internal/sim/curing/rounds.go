package curing

import (
	"time"

	"curetally/internal/core/plant"
)

// Rules of the ready-made set whose tasks people at the plant record. Lamp
// changes are recorded as lamp acts, not here.
const (
	ruleReflectorClean   = plant.RuleID("reflector-clean")
	ruleShutterCheck     = plant.RuleID("shutter-check")
	ruleArcAirFilter     = plant.RuleID("arc-air-filter")
	ruleArcInterlockTest = plant.RuleID("arc-interlock-test")
	ruleWindowClean      = plant.RuleID("window-clean")
	ruleLEDAirFilter     = plant.RuleID("led-air-filter")
	ruleCabinetFilter    = plant.RuleID("cabinet-filter")
	ruleCondenserClean   = plant.RuleID("condenser-clean")
	ruleCoolantLevel     = plant.RuleID("coolant-level")
	ruleLeakCheck        = plant.RuleID("leak-check")
	ruleRadiometerPass   = plant.RuleID("radiometer-pass")
	ruleHourMeterCheck   = plant.RuleID("hour-meter-check")
)

// round is a calendar task that people do on Saturdays.
type round struct {
	rule  plant.RuleID
	weeks int
	led   bool // of the LED time, else of the arc time
	gear  bool // of both
	each  bool // at every station, else once for the press
}

func rounds() []round {
	return []round{
		{rule: ruleArcAirFilter, weeks: 1, each: true},
		{rule: ruleShutterCheck, weeks: 4, each: true},
		{rule: ruleArcInterlockTest, weeks: 12, each: true},
		{rule: ruleLEDAirFilter, weeks: 2, led: true, each: true},
		{rule: ruleCoolantLevel, weeks: 1, led: true},
		{rule: ruleLeakCheck, weeks: 4, led: true},
		{rule: ruleCabinetFilter, weeks: 4, led: true},
		{rule: ruleCondenserClean, weeks: 5, led: true}, // a week late each time
		{rule: ruleRadiometerPass, weeks: 4, gear: true},
		{rule: ruleHourMeterCheck, weeks: 4, gear: true},
	}
}

// forgottenFilter is the station whose LED air filter nobody reaches for.
const forgottenFilter = 5

// RoundsOptions choose the Saturday rounds of a plant.
type RoundsOptions struct {
	Press       plant.PressID
	Stations    []plant.StationID
	Changeover  time.Time
	Start, Now  time.Time
	FirstMonday time.Time // 06:00 local of the week of Start
}

// Rounds lists what people recorded on Saturday rounds from Start up to Now.
func Rounds(o RoundsOptions) []plant.Done {
	var out []plant.Done
	for week := 0; ; week++ {
		at := o.FirstMonday.AddDate(0, 0, 7*week+5).Add(2 * time.Hour).UTC() // Saturday 08:00
		if at.After(o.Now) {
			return out
		}
		if at.Before(o.Start) {
			continue
		}
		led := !at.Before(o.Changeover)
		for _, r := range rounds() {
			if week%r.weeks != r.weeks-1 || !r.gear && r.led != led {
				continue
			}
			done := plant.Done{Rule: r.rule, Subject: string(o.Press), At: at, By: "maintenance"}
			if !r.each {
				out = append(out, done)
				continue
			}
			for i, s := range o.Stations {
				if r.rule == ruleLEDAirFilter && i == forgottenFilter {
					continue
				}
				done.Subject = string(s)
				out = append(out, done)
			}
		}
	}
}
