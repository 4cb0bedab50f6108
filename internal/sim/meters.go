package sim

import (
	"fmt"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/sim/curing"
)

// Layout is how a kind of meter of the plant shows its energy register.
type Layout struct {
	// Profile is the name of the register map in the configuration.
	Profile string
	// StepMilliwattHours is the energy of one count.
	StepMilliwattHours int64
	// Modulus is the count at which the register starts again from zero; 0
	// when the width of the register is never reached.
	Modulus uint64
}

// The register maps of the plant, named as in package plantfile.
const (
	ProfileWh32   = "panel-wh"    // 32 bit, 1 Wh
	ProfileKWh6   = "panel-kwh-6" // six digits, 0.1 kWh
	ProfileWh64   = "panel-wh-64" // 64 bit, 0.1 Wh, input registers
	ProfileSerial = "serial-kwh"  // 32 bit, 0.01 kWh
)

// meterSpec is a mounted meter.
type meterSpec struct {
	id     plant.MeterID
	unit   uint8
	layout Layout
	base   uint64 // count at the start of history
	second uint64 // count of the meter that was mounted at the exchange
}

// StationMeter names the meter of a station.
func StationMeter(id plant.StationID) plant.MeterID { return plant.MeterID(id) + "-meter" }

// Meters lists all meters: of the stations, exhaust, chiller and the supply.
func Meters() []plant.MeterID {
	var ids []plant.MeterID
	for _, s := range StationIDs() {
		ids = append(ids, StationMeter(s))
	}
	return append(ids, MeterExhaust, MeterChiller, MeterSupply)
}

// Indexes of meters with a story, in the order of Meters.
const (
	indexRollover = 2
	indexExchange = 4
	indexExhaust  = Stations
	indexChiller  = Stations + 1
	indexSupply   = Stations + 2
)

// mountMeters gives each meter its register map, unit and first count.
func (w *World) mountMeters() []meterSpec {
	wh32 := Layout{ProfileWh32, 1_000, 1 << 32}
	kwh6 := Layout{ProfileKWh6, 100_000, 1_000_000}
	wh64 := Layout{ProfileWh64, 100, 0}
	serial := Layout{ProfileSerial, 10_000, 1 << 32}
	var list []meterSpec
	for i, id := range Meters() {
		m := meterSpec{id: id, unit: uint8(i + 1), layout: wh32}
		switch i {
		case indexRollover:
			m.layout = kwh6
		case indexExhaust, indexChiller:
			m.layout = wh64
		case indexSupply:
			m.layout, m.unit = serial, 21
		}
		// Meters have counted for some years before the history begins.
		m.base = uint64(curing.Mix(w.opts.Seed, 4, uint64(i)) * 40e9 / float64(m.layout.StepMilliwattHours))
		if i == indexRollover {
			m.base = m.layout.Modulus - uint64(w.energy(i, w.faults.rollover)/m.layout.StepMilliwattHours) - 1
		}
		m.second = uint64(4_200_000 / m.layout.StepMilliwattHours) // a new meter comes with a little on its register
		list = append(list, m)
	}
	return list
}

func (w *World) meterIndex(id plant.MeterID) (int, bool) {
	for i, m := range w.meters {
		if m.id == id {
			return i, true
		}
	}
	return 0, false
}

// milliwattMillis is the exact energy through a meter since the start.
func (w *World) milliwattMillis(index int, at int64) int64 {
	switch {
	case index < Stations:
		return curing.EnergyAt(w.stations[index].Pieces, at)
	case index == indexExhaust:
		return curing.EnergyAt(w.exhaust, at)
	case index == indexChiller:
		return curing.EnergyAt(w.chiller, at)
	default:
		sum := int64(0)
		for i := range indexSupply {
			sum += w.milliwattMillis(i, at)
		}
		return sum
	}
}

// energy is milliwattMillis in whole milliwatt-hours.
func (w *World) energy(index int, t time.Time) int64 {
	return w.milliwattMillis(index, t.UnixMilli()) / 3_600_000
}

// Energy is the true energy through a meter from the start of history to an
// instant, in milliwatt-hours.
func (w *World) Energy(id plant.MeterID, t time.Time) int64 {
	i, ok := w.meterIndex(id)
	if !ok {
		return 0
	}
	return w.energy(i, t)
}

// Power is the power through a meter at an instant, in watts.
func (w *World) Power(id plant.MeterID, t time.Time) float64 {
	i, ok := w.meterIndex(id)
	if !ok {
		return 0
	}
	return float64(w.milliwatts(i, t.UnixMilli())) / 1000
}

func (w *World) milliwatts(index int, at int64) int64 {
	switch {
	case index < Stations:
		return curing.PieceAt(w.stations[index].Pieces, at).Milliwatts
	case index == indexExhaust:
		return curing.PieceAt(w.exhaust, at).Milliwatts
	case index == indexChiller:
		return curing.PieceAt(w.chiller, at).Milliwatts
	default:
		sum := int64(0)
		for i := range indexSupply {
			sum += w.milliwatts(i, at)
		}
		return sum
	}
}

// Counts is the raw content of a meter's energy register at an instant, with
// rollover and exchange.
func (w *World) Counts(id plant.MeterID, t time.Time) uint64 {
	i, ok := w.meterIndex(id)
	if !ok {
		return 0
	}
	return w.counts(i, t)
}

func (w *World) counts(index int, t time.Time) uint64 {
	m := w.meters[index]
	count := m.base + uint64(w.energy(index, t)/m.layout.StepMilliwattHours)
	if x := w.faults.exchange; index == indexExchange && !x.IsZero() && !t.Before(x) {
		count = m.second + uint64((w.energy(index, t)-w.energy(index, x))/m.layout.StepMilliwattHours)
	}
	if m.layout.Modulus > 0 {
		count %= m.layout.Modulus
	}
	return count
}

// Register is what a meter's energy register shows at an instant, in
// milliwatt-hours: whole counts × the energy of one count.
func (w *World) Register(id plant.MeterID, t time.Time) int64 {
	i, ok := w.meterIndex(id)
	if !ok {
		return 0
	}
	return int64(w.counts(i, t)) * w.meters[i].layout.StepMilliwattHours
}

// Mounting gives the unit id and register layout of a meter.
func (w *World) Mounting(id plant.MeterID) (unit uint8, layout Layout, err error) {
	i, ok := w.meterIndex(id)
	if !ok {
		return 0, Layout{}, fmt.Errorf("meter %q: the virtual plant has %v", id, Meters())
	}
	return w.meters[i].unit, w.meters[i].layout, nil
}

// Exchanges lists the meter exchanges that people declared up to Now.
func (w *World) Exchanges() []plant.Exchange {
	x := w.faults.exchange
	if x.IsZero() || x.After(w.opts.Now) {
		return nil
	}
	m := w.meters[indexExchange]
	step := m.layout.StepMilliwattHours
	final := int64(m.base) + w.energy(indexExchange, x)/step
	return []plant.Exchange{{
		Register: plant.RegisterOf(m.id, ValueImport), At: x,
		Final: final * step, First: int64(m.second) * step,
		By: "electrician", Note: "display failed, new meter of the same kind mounted",
	}}
}

// Rated is the power behind a meter in watts, the limit of plausibility in the
// configuration.
func Rated(id plant.MeterID) float64 {
	switch id {
	case MeterExhaust:
		return 4_000
	case MeterChiller:
		return 8_000
	case MeterSupply:
		return 90_000
	default:
		return curing.StationRated()
	}
}
