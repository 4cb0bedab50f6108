package spool

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"google.golang.org/protobuf/encoding/protowire"

	"curetally/internal/core/plant"
)

// The stored form of a batch: four bytes of CRC-32C over the rest, then a
// message in the protocol-buffer wire format. Numbers, once given, keep their
// meaning; a reader skips what it does not know.
//
//	batch:   1 name (string, repeated: table of names, counted from 0)
//	         2 reading, 3 event, 4 signal, 5 refusal (messages, repeated)
//	reading: 1 register (name)  2 at (µs)  3 value  4 modulus
//	event:   1 station (name)  2 at (µs)  3 arrived (µs)  4 state  5 technology
//	         6 boot (name)  7 sequence  8 lit ms + 1  9 starts + 1  10 flags
//	signal:  1 subject (name)  2 name (name)  3 at (µs)  4 value (IEEE 754)
//	refusal: 1 at (µs)  2 source  3 reason  4 payload
//
// Instants are Unix microseconds; signed numbers are zigzag varints.
const (
	fieldName    = 1
	fieldReading = 2
	fieldEvent   = 3
	fieldSignal  = 4
	fieldRefusal = 5

	flagClockDistrusted = 1
	flagLastWill        = 2
)

// ErrDamaged says that a stored batch is not what was written.
var ErrDamaged = errors.New("damaged batch")

// encoder writes one batch; names are written once and referred to by number.
type encoder struct {
	names   map[string]uint64
	table   []byte
	body    []byte
	message []byte
}

// encode gives the stored form of a batch.
func encode(f plant.Facts) []byte {
	e := encoder{names: map[string]uint64{}, body: make([]byte, 0, 24*len(f.Readings)+64*len(f.Events)+128)}
	for _, r := range f.Readings {
		e.number(1, e.name(string(r.Register)))
		e.signed(2, r.At.UnixMicro())
		e.signed(3, r.Value)
		e.signed(4, r.Modulus)
		e.end(fieldReading)
	}
	for _, v := range f.Events {
		e.number(1, e.name(string(v.Station)))
		e.signed(2, v.At.UnixMicro())
		e.signed(3, v.Arrived.UnixMicro())
		e.number(4, uint64(v.State))
		e.number(5, uint64(v.Technology))
		e.number(6, e.name(v.Boot))
		e.signed(7, v.Sequence)
		e.signed(8, v.LitMillis+1)
		e.signed(9, v.Starts+1)
		e.number(10, eventFlags(v))
		e.end(fieldEvent)
	}
	for _, s := range f.Signals {
		e.number(1, e.name(s.Subject))
		e.number(2, e.name(s.Name))
		e.signed(3, s.At.UnixMicro())
		e.message = protowire.AppendTag(e.message, 4, protowire.Fixed64Type)
		e.message = protowire.AppendFixed64(e.message, math.Float64bits(s.Value))
		e.end(fieldSignal)
	}
	for _, r := range f.Refusals {
		e.signed(1, r.At.UnixMicro())
		e.bytes(2, []byte(r.Source))
		e.bytes(3, []byte(r.Reason))
		e.bytes(4, r.Payload)
		e.end(fieldRefusal)
	}
	out := make([]byte, 4, 4+len(e.table)+len(e.body))
	out = append(append(out, e.table...), e.body...)
	binary.BigEndian.PutUint32(out, checksum(out[4:]))
	return out
}

func checksum(b []byte) uint32 { return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli)) }

func eventFlags(v plant.StationEvent) uint64 {
	var flags uint64
	if v.ClockDistrusted {
		flags |= flagClockDistrusted
	}
	if v.LastWill {
		flags |= flagLastWill
	}
	return flags
}

// name gives a name's number in the table.
func (e *encoder) name(s string) uint64 {
	n, ok := e.names[s]
	if !ok {
		n = uint64(len(e.names))
		e.names[s] = n
		e.table = protowire.AppendTag(e.table, fieldName, protowire.BytesType)
		e.table = protowire.AppendString(e.table, s)
	}
	return n
}

// number writes an unsigned field; zero is the default and is left out.
func (e *encoder) number(field protowire.Number, v uint64) {
	if v != 0 {
		e.message = protowire.AppendTag(e.message, field, protowire.VarintType)
		e.message = protowire.AppendVarint(e.message, v)
	}
}

func (e *encoder) signed(field protowire.Number, v int64) { e.number(field, protowire.EncodeZigZag(v)) }

func (e *encoder) bytes(field protowire.Number, b []byte) {
	if len(b) > 0 {
		e.message = protowire.AppendTag(e.message, field, protowire.BytesType)
		e.message = protowire.AppendBytes(e.message, b)
	}
}

// end closes the message that is being written and adds it to the batch.
func (e *encoder) end(field protowire.Number) {
	e.body = protowire.AppendTag(e.body, field, protowire.BytesType)
	e.body = protowire.AppendBytes(e.body, e.message)
	e.message = e.message[:0]
}

// fields are the values of one message, by field number. Numbers and fixed
// values stand in num, strings and bytes in raw.
type fields struct {
	num [16]uint64
	raw [16][]byte
}

func (f *fields) signed(n int) int64    { return protowire.DecodeZigZag(f.num[n]) }
func (f *fields) at(n int) time.Time    { return time.UnixMicro(f.signed(n)).UTC() }
func (f *fields) text(n int) string     { return string(f.raw[n]) }
func (f *fields) value(n int) float64   { return math.Float64frombits(f.num[n]) }
func (f *fields) has(n int, b int) bool { return f.num[n]&uint64(b) != 0 }

// decode reads the stored form of a batch. The error wraps ErrDamaged.
func decode(data []byte) (plant.Facts, error) {
	if len(data) < 4 || binary.BigEndian.Uint32(data) != checksum(data[4:]) {
		return plant.Facts{}, fmt.Errorf("%w: checksum of %d bytes does not match", ErrDamaged, len(data))
	}
	d := decoder{}
	if err := d.batch(data[4:]); err != nil {
		return plant.Facts{}, err
	}
	return d.facts, nil
}

type decoder struct {
	names []string
	facts plant.Facts
}

func (d *decoder) batch(b []byte) error {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return fmt.Errorf("%w: %w", ErrDamaged, protowire.ParseError(n))
		}
		b = b[n:]
		if typ != protowire.BytesType || num > fieldRefusal {
			if n = protowire.ConsumeFieldValue(num, typ, b); n < 0 {
				return fmt.Errorf("%w: %w", ErrDamaged, protowire.ParseError(n))
			}
			b = b[n:]
			continue
		}
		msg, n := protowire.ConsumeBytes(b)
		if n < 0 {
			return fmt.Errorf("%w: %w", ErrDamaged, protowire.ParseError(n))
		}
		b = b[n:]
		if num == fieldName {
			d.names = append(d.names, string(msg))
			continue
		}
		if err := d.fact(num, msg); err != nil {
			return err
		}
	}
	return nil
}

// fact reads one message of a batch.
func (d *decoder) fact(kind protowire.Number, msg []byte) error {
	f, err := parse(msg)
	if err != nil {
		return err
	}
	var missing error
	name := func(n int) string {
		if i := f.num[n]; i < uint64(len(d.names)) {
			return d.names[i]
		}
		missing = fmt.Errorf("%w: name %d of %d", ErrDamaged, f.num[n], len(d.names))
		return ""
	}
	switch kind {
	case fieldReading:
		d.facts.Readings = append(d.facts.Readings, plant.Reading{
			Register: plant.RegisterID(name(1)), At: f.at(2), Value: f.signed(3), Modulus: f.signed(4),
		})
	case fieldEvent:
		d.facts.Events = append(d.facts.Events, plant.StationEvent{
			Station: plant.StationID(name(1)), At: f.at(2), Arrived: f.at(3),
			State: plant.State(f.num[4]), Technology: plant.Technology(f.num[5]), Boot: name(6), Sequence: f.signed(7),
			LitMillis: f.signed(8) - 1, Starts: f.signed(9) - 1,
			ClockDistrusted: f.has(10, flagClockDistrusted), LastWill: f.has(10, flagLastWill),
		})
	case fieldSignal:
		d.facts.Signals = append(d.facts.Signals, plant.Signal{Subject: name(1), Name: name(2), At: f.at(3), Value: f.value(4)})
	case fieldRefusal:
		d.facts.Refusals = append(d.facts.Refusals, plant.Refusal{
			At: f.at(1), Source: f.text(2), Reason: f.text(3), Payload: append([]byte(nil), f.raw[4]...),
		})
	}
	return missing
}

// parse reads the fields of a message; unknown ones are skipped.
func parse(b []byte) (f fields, err error) {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return f, fmt.Errorf("%w: %w", ErrDamaged, protowire.ParseError(n))
		}
		b = b[n:]
		known := int(num) < len(f.num)
		switch {
		case known && typ == protowire.VarintType:
			f.num[num], n = protowire.ConsumeVarint(b)
		case known && typ == protowire.Fixed64Type:
			f.num[num], n = protowire.ConsumeFixed64(b)
		case known && typ == protowire.BytesType:
			f.raw[num], n = protowire.ConsumeBytes(b)
		default:
			n = protowire.ConsumeFieldValue(num, typ, b)
		}
		if n < 0 {
			return f, fmt.Errorf("%w: %w", ErrDamaged, protowire.ParseError(n))
		}
		b = b[n:]
	}
	return f, nil
}
