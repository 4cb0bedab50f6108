// Package columnar writes facts and entries as Parquet files, for the tools with
// which people analyse data. Each kind of row is a struct here; its fields are
// the columns.
//
// Columns are typed: instants are timestamps in UTC, in microseconds; amounts
// are the whole numbers that the program counts with, in a column that names
// their unit. A register fills the column of what it counts and leaves the
// others empty, which costs next to nothing in such a file.
//
// Rows are written as they come, in groups of bounded size, so that a file of
// any length takes the same memory. The writer belongs to the caller, who makes
// the file whole or removes it.
package columnar

import (
	"fmt"
	"io"
	"iter"
	"time"

	"github.com/parquet-go/parquet-go"

	"curetally/internal/core/plant"
)

// ReadingRow is a value of a register as the meter shows it.
type ReadingRow struct {
	Time        time.Time `parquet:"time,timestamp(microsecond)"`
	Register    string    `parquet:"register,dict"`
	EnergyMWh   *int64    `parquet:"energy_milliwatt_hours,optional"`
	TimeMS      *int64    `parquet:"time_milliseconds,optional"`
	Count       *int64    `parquet:"count,optional"`
	AreaCM2     *int64    `parquet:"area_square_centimetres,optional"`
	LengthMM    *int64    `parquet:"length_millimetres,optional"`
	Impressions *int64    `parquet:"impressions,optional"`
	// Modulus, in the unit of the value, where the meter states one.
	Modulus *int64 `parquet:"modulus,optional"`
}

// StateRow is a state of a station with its counters.
type StateRow struct {
	Time            time.Time `parquet:"time,timestamp(microsecond)"`
	Station         string    `parquet:"station,dict"`
	State           string    `parquet:"state,dict"`
	Technology      string    `parquet:"technology,dict"` // empty: as configured
	LitMS           *int64    `parquet:"lit_milliseconds,optional"`
	Starts          *int64    `parquet:"starts,optional"`
	Boot            string    `parquet:"boot,dict"`
	Seq             int64     `parquet:"seq"`
	Arrived         time.Time `parquet:"arrived,timestamp(microsecond)"`
	ClockDistrusted bool      `parquet:"clock_distrusted"`
	LastWill        bool      `parquet:"last_will"`
}

// SignalRow is a value of a process quantity, whose name holds its unit.
type SignalRow struct {
	Time    time.Time `parquet:"time,timestamp(microsecond)"`
	Subject string    `parquet:"subject,dict"`
	Name    string    `parquet:"name,dict"`
	Value   float64   `parquet:"value"`
}

// EntryRow is an amount of a register within an interval.
type EntryRow struct {
	Start       time.Time `parquet:"start,timestamp(microsecond)"`
	Register    string    `parquet:"register,dict"`
	State       string    `parquet:"state,dict"`
	Technology  string    `parquet:"technology,dict"`
	Lamp        string    `parquet:"lamp,dict"`
	EnergyMWh   *int64    `parquet:"energy_milliwatt_hours,optional"`
	TimeMS      *int64    `parquet:"time_milliseconds,optional"`
	Count       *int64    `parquet:"count,optional"`
	AreaCM2     *int64    `parquet:"area_square_centimetres,optional"`
	LengthMM    *int64    `parquet:"length_millimetres,optional"`
	Impressions *int64    `parquet:"impressions,optional"`
	Quality     string    `parquet:"quality,dict"`
}

// FittingRow is the time of a lamp in a station.
type FittingRow struct {
	Lamp    string     `parquet:"lamp,dict"`
	Kind    string     `parquet:"kind,dict"`
	Station string     `parquet:"station,dict"`
	Fitted  time.Time  `parquet:"fitted,timestamp(microsecond)"`
	Removed *time.Time `parquet:"removed,optional,timestamp(microsecond)"`
	Reason  string     `parquet:"reason,dict"`
	By      string     `parquet:"by,dict"`
}

// Quantities says what each register counts.
type Quantities map[plant.RegisterID]plant.Quantity

// Readings writes readings and gives their number.
func Readings(w io.Writer, in iter.Seq2[plant.Reading, error], of Quantities) (int64, error) {
	return write(w, in, func(r plant.Reading) (ReadingRow, error) {
		row := ReadingRow{Time: r.At.UTC(), Register: string(r.Register), Modulus: unless(r.Modulus, 0)}
		field, err := field(of[r.Register], &row.EnergyMWh, &row.TimeMS, &row.Count, &row.AreaCM2, &row.LengthMM, &row.Impressions)
		if err != nil {
			return row, fmt.Errorf("register %s: %w", r.Register, err)
		}
		*field = &r.Value
		return row, nil
	})
}

// States writes station events and gives their number.
func States(w io.Writer, in iter.Seq2[plant.StationEvent, error]) (int64, error) {
	return write(w, in, func(e plant.StationEvent) (StateRow, error) {
		return StateRow{
			Time: e.At.UTC(), Station: string(e.Station), State: e.State.String(), Technology: e.Technology.String(),
			LitMS: unless(max(e.LitMillis, -1), -1), Starts: unless(max(e.Starts, -1), -1), Boot: e.Boot, Seq: e.Sequence,
			Arrived: e.Arrived.UTC(), ClockDistrusted: e.ClockDistrusted, LastWill: e.LastWill,
		}, nil
	})
}

// Signals writes signals and gives their number.
func Signals(w io.Writer, in iter.Seq2[plant.Signal, error]) (int64, error) {
	return write(w, in, func(v plant.Signal) (SignalRow, error) {
		return SignalRow{Time: v.At.UTC(), Subject: v.Subject, Name: v.Name, Value: v.Value}, nil
	})
}

// Entries writes entries and gives their number.
func Entries(w io.Writer, in iter.Seq2[plant.Entry, error], of Quantities) (int64, error) {
	return write(w, in, func(e plant.Entry) (EntryRow, error) {
		row := EntryRow{
			Start: e.Start.UTC(), Register: string(e.Register), State: e.State.String(), Technology: e.Technology.String(),
			Lamp: string(e.Lamp), Quality: e.Quality.String(),
		}
		field, err := field(of[e.Register], &row.EnergyMWh, &row.TimeMS, &row.Count, &row.AreaCM2, &row.LengthMM, &row.Impressions)
		if err != nil {
			return row, fmt.Errorf("register %s: %w", e.Register, err)
		}
		*field = &e.Amount
		return row, nil
	})
}

// Fittings writes fittings of lamps, whose kinds are given by serial.
func Fittings(w io.Writer, in iter.Seq2[plant.Fitting, error], kinds map[plant.LampSerial]string) (int64, error) {
	return write(w, in, func(f plant.Fitting) (FittingRow, error) {
		row := FittingRow{Lamp: string(f.Lamp), Kind: kinds[f.Lamp], Station: string(f.Station), Fitted: f.From.UTC(), Reason: f.Reason, By: f.By}
		if !f.To.IsZero() {
			removed := f.To.UTC()
			row.Removed = &removed
		}
		return row, nil
	})
}

// unless gives a value, or nothing where it says that there is none.
func unless(v, none int64) *int64 {
	if v == none {
		return nil
	}
	return &v
}

// field chooses the column of a quantity; the columns are in the order of the
// quantities' numbers.
func field(q plant.Quantity, columns ...**int64) (**int64, error) {
	i := int(q) - int(plant.QuantityEnergy)
	if i < 0 || i >= len(columns) {
		return nil, fmt.Errorf("%s has no column", q)
	}
	return columns[i], nil
}

// Sizes: rows handed over at once, and rows of a group, which is kept in memory.
const (
	handful   = 1024
	groupRows = 1 << 17
)

func write[F, R any](w io.Writer, in iter.Seq2[F, error], row func(F) (R, error)) (n int64, err error) {
	p := parquet.NewGenericWriter[R](w, parquet.Compression(&parquet.Zstd), parquet.MaxRowsPerRowGroup(groupRows))
	rows := make([]R, 0, handful)
	flush := func() error {
		k, err := p.Write(rows)
		n += int64(k)
		rows = rows[:0]
		return err
	}
	for f, err := range in {
		if err != nil {
			return n, err
		}
		r, err := row(f)
		if err != nil {
			return n, err
		}
		if rows = append(rows, r); len(rows) == handful {
			if err := flush(); err != nil {
				return n, err
			}
		}
	}
	if err := flush(); err != nil {
		return n, err
	}
	return n, p.Close()
}
