// Package beforeafter lays a retrofit's effects beside energy next to each other: supply
// volts and amperes, peak power, exhaust air, floor space, noise, temperatures, ozone,
// mercury, lamp changes and hours of upkeep, before and after.
//
// Every cell says where it is from: measured by a signal or a meter over the days of the
// period, counted from the plant's records, or entered by hand with its date and
// instrument. A cell that nobody knows says so and what to do; nothing is supposed.
//
// It is a table for people and no part of a statement of savings. Everything is a pure
// function of its arguments.
package beforeafter

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/carbon"
	"curetally/internal/core/plant"
	"curetally/internal/core/spares"
)

// Quantity is a row of the table.
type Quantity struct {
	Key      string // as the configuration writes it
	Title    string // with its unit
	Decimals int
}

// The quantities that the plant's records give.
const (
	PeakKilowatts = "peak_kilowatts"
	LampChanges   = "lamp_changes_per_year"
	MercuryYear   = "mercury_milligrams_per_year"
	UpkeepHours   = "upkeep_hours_per_year"
	Housing       = "housing_celsius"
)

// Quantities lists all rows in the order of the table.
func Quantities() []Quantity {
	return []Quantity{
		{"supply_volts", "supply, V", 0},
		{"supply_amps", "supply, A", 1},
		{PeakKilowatts, "peak power, kW", 1},
		{"exhaust_m3_per_hour", "exhaust air, m³/h", 0},
		{"floor_m2", "floor space, m²", 1},
		{"noise_dba", "noise, dB(A)", 0},
		{"web_celsius_before_curing", "web before curing, °C", 0},
		{"web_celsius_after_curing", "web after curing, °C", 0},
		{Housing, "housing, °C", 0},
		{"ozone_ppm", "ozone, ppm", 3},
		{"mercury_milligrams", "mercury in the lamps, mg", 0},
		{LampChanges, "lamp changes a year", 1},
		{MercuryYear, "mercury in lamps changed, mg a year", 0},
		{UpkeepHours, "upkeep, h a year", 1},
	}
}

// Signal names the signal of a meter, station or press.
type Signal struct{ Subject, Name string }

// ByHand is a value that a person read.
type ByHand struct {
	Value      float64
	Date       time.Time // local midnight
	Instrument string
}

// Entry is what the configuration says of a quantity.
type Entry struct {
	Quantity      string
	Signal        *Signal
	Before, After *ByHand
}

// Cell is one value of the table.
type Cell struct {
	Value float64
	Known bool
	From  string // where it is from; where it is not known, what to do
}

// Row is a quantity on both sides.
type Row struct {
	Quantity
	Before, After Cell
	Notes         []string
}

// Sides are two cells.
type Sides struct{ Before, After Cell }

// Table fills every row: with what was measured or counted where it is known, else with
// what was entered by hand.
func Table(entries []Entry, measured map[string]Sides) []Row {
	var out []Row
	for _, q := range Quantities() {
		r := Row{Quantity: q}
		m := measured[q.Key]
		r.Before, r.After = m.Before, m.After
		if i := slices.IndexFunc(entries, func(e Entry) bool { return e.Quantity == q.Key }); i >= 0 {
			r.Before, r.After = orByHand(m.Before, entries[i].Before), orByHand(m.After, entries[i].After)
		}
		for _, c := range []*Cell{&r.Before, &r.After} {
			if !c.Known {
				c.From = missing(c.From, q.Key)
			}
		}
		if q.Key == Housing {
			r.Notes = burnNotes(r)
		}
		if q.Key == MercuryYear && r.Before.Known && r.After.Known {
			r.Notes = []string{fmt.Sprintf("mercury avoided: %.2f g a year", carbon.MercuryGrams(1, r.Before.Value-r.After.Value))}
		}
		out = append(out, r)
	}
	return out
}

func orByHand(c Cell, h *ByHand) Cell {
	if c.Known || h == nil {
		return c
	}
	return Cell{h.Value, true, fmt.Sprintf("by hand, %s, %s", h.Date.Format(time.DateOnly), h.Instrument)}
}

func missing(why, key string) string {
	remedy := fmt.Sprintf("not known: give a signal, or a value with date and instrument, under before_after: %s", key)
	if why != "" {
		return why + "; " + remedy
	}
	return remedy
}

// Measured is the middle of the daily values of a signal.
func Measured(s Signal, values []float64) Cell {
	name := s.Subject + "/" + s.Name
	if len(values) == 0 {
		return Cell{From: "no values of " + name}
	}
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	middle := (sorted[(n-1)/2] + sorted[n/2]) / 2
	return Cell{middle, true, fmt.Sprintf("measured, %s: of %d days the middle one of what a twentieth of the day exceeds", name, n)}
}

// Counted is a number of a period of so many days, scaled to a year.
func Counted(amount float64, days int, what string) Cell {
	if days <= 0 {
		return Cell{From: "no days"}
	}
	return Cell{amount * 365.25 / float64(days), true, fmt.Sprintf("records: %s in %d days", what, days)}
}

// Mercury is the mercury in lamps of these kinds, changed in so many days, scaled to a
// year in milligrams. Of an estimate it is the middle; where nothing is known of a
// lamp, nothing is known.
func Mercury(lamps []plant.LampKind, days int) Cell {
	var low, high float64
	unknown := 0
	for _, kind := range lamps {
		l, h, known := spares.Mercury(kind)
		low, high = low+l, high+h
		if !known {
			unknown++
		}
	}
	if unknown > 0 {
		return Cell{From: fmt.Sprintf("the mercury of %d of %d lamps is not stated: give mercury_mg or arc_cm of their kind", unknown, len(lamps))}
	}
	noun := "lamps"
	if len(lamps) == 1 {
		noun = "lamp"
	}
	what := fmt.Sprintf("%d %s with %.0f mg of mercury", len(lamps), noun, (low+high)/2)
	if high > low {
		what += fmt.Sprintf(" (%.0f to %.0f by the length of the arc)", low, high)
	}
	return Counted((low+high)/2, days, what)
}

// burn is a temperature at which bare smooth metal burns the skin when it is touched
// for so long.
type burn struct {
	celsius float64
	contact string
}

// burns lists the thresholds from the highest on.
// From memory: ISO 13732-1:2006, burn thresholds of bare smooth metal (lower ends).
func burns() []burn {
	return []burn{{65, "about 1 s"}, {55, "10 s"}, {51, "1 min"}, {48, "10 min"}, {43, "8 h"}}
}

// burnNotes says what touching the housing may do.
func burnNotes(r Row) []string {
	var out []string
	for _, side := range []struct {
		name string
		cell Cell
	}{{"before", r.Before}, {"after", r.After}} {
		if !side.cell.Known {
			continue
		}
		words := "no burn threshold of bare metal is reached, however long it is touched"
		if i := slices.IndexFunc(burns(), func(b burn) bool { return side.cell.Value >= b.celsius }); i >= 0 {
			words = fmt.Sprintf("bare smooth metal as hot as that may burn the skin within %s of contact", burns()[i].contact)
		}
		out = append(out, fmt.Sprintf("housing %s, %.0f °C: %s", side.name, side.cell.Value, words))
	}
	if len(out) > 0 {
		out = append(out, "From memory of ISO 13732-1: look the thresholds up in the standard before you show them to anybody who works there; from 65 °C on a hot surface wants a guard")
	}
	return out
}

// Keys are the words for quantities.
func Keys() []string {
	var out []string
	for _, q := range Quantities() {
		out = append(out, q.Key)
	}
	return out
}

// ParseSignal reads OWNER/NAME.
func ParseSignal(text string) (Signal, bool) {
	subject, name, ok := strings.Cut(text, "/")
	return Signal{subject, name}, ok && subject != "" && name != ""
}
