package meterlink

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/simonvetter/modbus"

	"curetally/internal/core/plant"
)

// What a SunSpec device holds where.
// Source: SunSpec Device Information Model Specification: base addresses, the
// marker "SunS", blocks of id and length, the end block 0xFFFF, and model 1.
const (
	sunspecMark0, sunspecMark1 = 0x5375, 0x6E53
	sunspecEnd                 = 0xFFFF
	commonModel                = 1
	// maxBlocks bounds the walk over a device whose chain does not end.
	maxBlocks = 200
)

// sunspecBases are the addresses of the marker, in the order they are tried.
func sunspecBases() []uint16 { return []uint16{40000, 0, 50000} }

// Block is one model of a SunSpec device.
type Block struct {
	Model uint16
	// Address is that of the block's first register, its model id.
	Address uint16
	// Length is how many registers follow id and length.
	Length uint16
}

// Device is what was found at a unit id.
type Device struct {
	Unit uint8
	// Answers says that the unit answered, be it with a refusal.
	Answers bool
	// SunSpec says that the marker was found, at Base.
	SunSpec bool
	Base    uint16
	// Manufacturer, Model, Version and Serial are what the device says of itself,
	// printable ASCII only.
	Manufacturer, Model, Version, Serial string
	// Blocks are the models in the order of their addresses, as far as the chain
	// could be followed.
	Blocks []Block
	// Fault says why the chain could not be followed to its end; nil when it was.
	Fault error
}

// Identify asks a unit id for SunSpec registers. A unit that does not answer costs
// one time-out and is no error; a chain of models that cannot be followed is the
// device's Fault. The error says that the link did not open, or wraps the cause of
// ctx.
func (b *Bus) Identify(ctx context.Context, unit uint8) (Device, error) {
	m := &meter{conf: plant.Meter{ID: plant.MeterID(fmt.Sprintf("unit-%d", unit)), Unit: unit}}
	d := Device{Unit: unit}
	if !b.open {
		if err := b.connect(ctx, m); err != nil {
			return d, err
		}
	}
	read := func(address, words uint16) ([]uint16, error) {
		if ctx.Err() != nil {
			return nil, b.left(ctx, m)
		}
		if !b.open { // an error before has closed it
			if err := b.connect(ctx, m); err != nil {
				return nil, err
			}
		}
		a, err := b.ask(m, request{functionHolding, address, words})
		return a.words, err
	}
	for _, base := range sunspecBases() {
		words, err := read(base, 2)
		switch {
		case ctx.Err() != nil:
			return d, b.left(ctx, m)
		case isGatewaysAnswer(err), errors.Is(err, ErrLink):
			return d, nil
		}
		d.Answers = true
		if err == nil && words[0] == sunspecMark0 && words[1] == sunspecMark1 {
			d.SunSpec, d.Base = true, base
			d.walk(read)
			if ctx.Err() != nil {
				return d, b.left(ctx, m)
			}
			return d, nil
		}
	}
	return d, nil
}

// walk follows the chain of models behind the marker.
func (d *Device) walk(read func(address, words uint16) ([]uint16, error)) {
	at := int(d.Base) + 2
	for {
		if at+2 > addressSpace {
			d.Fault = fmt.Errorf("the chain of models leaves the register space at address %d: expected an end block 0xFFFF before", at)
			return
		}
		head, err := read(uint16(at), 2)
		if err != nil {
			d.Fault = fmt.Errorf("the chain of models breaks off at address %d after %d blocks: %w", at, len(d.Blocks), err)
			return
		}
		b := Block{Model: head[0], Address: uint16(at), Length: head[1]}
		if b.Model == sunspecEnd {
			return
		}
		if d.Fault = b.check(len(d.Blocks)); d.Fault != nil {
			return
		}
		d.Blocks = append(d.Blocks, b)
		if b.Model == commonModel && len(d.Blocks) == 1 {
			d.common(b, read)
		}
		at += 2 + int(b.Length)
	}
}

// check says what is wrong with the block after n others.
func (b Block) check(n int) error {
	switch {
	case n == 0 && b.Model != commonModel:
		return fmt.Errorf("the first block, at address %d, is model %d: expected model 1 (common)", b.Address, b.Model)
	case n == 0 && b.Length != 65 && b.Length != 66:
		return fmt.Errorf("the common block at address %d has length %d: expected 65 or 66", b.Address, b.Length)
	case b.Length == 0:
		return fmt.Errorf("the block at address %d, model %d, has length 0: the chain of models would not go on", b.Address, b.Model)
	case n >= maxBlocks:
		return fmt.Errorf("the chain of models has not ended after %d blocks, at address %d: expected an end block 0xFFFF", maxBlocks, b.Address)
	default:
		return nil
	}
}

// common takes what the device says of itself. A device that does not give it is
// taken without a name.
func (d *Device) common(b Block, read func(address, words uint16) ([]uint16, error)) {
	const manufacturer, model, version, serial, end = 0, 16, 40, 48, 64
	words, err := read(b.Address+2, end)
	if err != nil {
		return
	}
	d.Manufacturer, d.Model = text(words[manufacturer:model]), text(words[model:model+16])
	d.Version, d.Serial = text(words[version:serial]), text(words[serial:end])
}

// text reads two characters per register up to the first NUL. Others than
// printable ASCII are shown as '?': the text goes to terminals and files.
func text(words []uint16) string {
	var out []byte
	for _, w := range words {
		out = append(out, byte(w>>8), byte(w))
	}
	if end := slices.Index(out, 0); end >= 0 {
		out = out[:end]
	}
	for i, c := range out {
		if c < ' ' || c > '~' {
			out[i] = '?'
		}
	}
	return strings.TrimSpace(string(out))
}

// isGatewaysAnswer says that a gateway refused on behalf of a unit that it did not
// reach.
func isGatewaysAnswer(err error) bool {
	return errors.Is(err, modbus.ErrGWPathUnavailable) || errors.Is(err, modbus.ErrGWTargetFailedToRespond)
}
