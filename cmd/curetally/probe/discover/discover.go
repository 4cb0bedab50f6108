// Package discover looks for SunSpec meters on a bus: it asks one unit id after the
// other, follows the models of those that answer, and writes the lines for the
// configuration.
//
// It goes gently: one request at a time, one time-out for a unit that is not there,
// a rest between two units, and reads only. What it cannot know, such as the rated
// power, it leaves out, so that the check of the configuration asks for it.
package discover

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/config/profiles"
	"curetally/internal/link/meterlink"
)

// clearLine is the ANSI sequence that clears the rest of a line.
const clearLine = "\x1b[K"

// unitPause is the rest of the bus between two unit ids.
const unitPause = 50 * time.Millisecond

// Found is what --discover says.
type Found struct {
	URL     string   `json:"url"`
	Asked   int      `json:"units_asked"`
	Devices []Device `json:"devices"`
	// Configuration is text for the configuration file; empty when no meter fits.
	Configuration string `json:"configuration"`
}

// Device is a unit that answered.
type Device struct {
	Unit         uint8   `json:"unit"`
	SunSpec      bool    `json:"sunspec"`
	Base         uint16  `json:"base_address"`
	Manufacturer string  `json:"manufacturer,omitempty"`
	Model        string  `json:"model,omitempty"`
	Version      string  `json:"version,omitempty"`
	Serial       string  `json:"serial,omitempty"`
	Models       []Model `json:"models"`
	// Same is another unit that is the same device; 0 when there is none.
	Same  uint8  `json:"same_as_unit,omitempty"`
	Fault string `json:"fault,omitempty"`
}

// Model is a block of a device.
type Model struct {
	Model   uint16 `json:"model"`
	Address uint16 `json:"address"`
	Length  uint16 `json:"length"`
	// Profile fits the block with the offset; empty for blocks that are no meter's.
	Profile string `json:"profile,omitempty"`
	Title   string `json:"title,omitempty"`
	Offset  int    `json:"address_offset"`
	// Unfit says why a meter's block cannot be read with its profile.
	Unfit string `json:"unfit,omitempty"`
}

// Search says where to look and how.
type Search struct {
	URL      string
	Units    string // such as 1-20,126
	Timeout  time.Duration
	Speed    uint
	Parity   string
	StopBits uint
	JSON     bool
	// Terminal says that progress may be shown in place.
	Terminal bool
	// Safety is the note on top of the result.
	Safety string
}

// Check refuses a search that cannot be made. The messages name the flags.
func (c Search) Check() error {
	if c.Timeout < 10*time.Millisecond || c.Timeout > time.Minute {
		return fmt.Errorf("--timeout %v: expected 10ms to 1m", c.Timeout)
	}
	units, err := parseUnits(c.Units)
	if err != nil {
		return err
	}
	serial := !strings.HasPrefix(c.URL, "tcp://")
	if serial && (units[0] == 0 || units[len(units)-1] > 247) {
		return fmt.Errorf("--units %s: expected 1 to 247 on a serial line, where 0 is a broadcast", c.Units)
	}
	return nil
}

// Run asks every unit id and says what it found.
func (c Search) Run(ctx context.Context, s desk.Surroundings) error {
	units, err := parseUnits(c.Units)
	if err != nil {
		return err
	}
	bus, err := meterlink.NewBus(plant.Bus{
		ID: "discover", URL: c.URL, Speed: c.Speed, DataBits: 8, Parity: c.Parity, StopBits: c.StopBits, Timeout: c.Timeout,
	}, time.Now, desk.Quiet(s.Log))
	if err != nil {
		return err
	}
	progress := io.Discard
	if c.Terminal && !c.JSON {
		progress = s.Stdout
	}
	f := Found{URL: c.URL, Devices: []Device{}}
	err = f.ask(ctx, bus, units, progress)
	if err = errors.Join(err, bus.Close()); err != nil {
		return err
	}
	if len(f.Devices) == 0 {
		return fmt.Errorf("none of %d unit ids answers at %s: check wiring, supply, speed and parity, and that nobody else reads the line", f.Asked, c.URL)
	}
	f.Configuration = f.configure(c)
	if c.JSON {
		return desk.WriteJSON(s.Stdout, f)
	}
	return f.write(s.Stdout, c.Safety)
}

// ask goes through the unit ids, one at a time with a rest between.
func (f *Found) ask(ctx context.Context, bus *meterlink.Bus, units []uint8, progress io.Writer) error {
	rest := time.NewTimer(0)
	defer rest.Stop()
	ready := profiles.Ready()
	for _, u := range units {
		select {
		case <-rest.C:
		case <-ctx.Done():
			return fmt.Errorf("stopped after %d of %d unit ids: %w", f.Asked, len(units), context.Cause(ctx))
		}
		fmt.Fprintf(progress, "\rasking unit %d, %d answer%s", u, len(f.Devices), clearLine)
		d, err := bus.Identify(ctx, u)
		if err != nil {
			return err
		}
		f.Asked++
		if d.Answers {
			f.Devices = append(f.Devices, f.device(d, ready))
		}
		rest.Reset(unitPause)
	}
	fmt.Fprint(progress, "\r"+clearLine)
	return nil
}

func (f *Found) device(d meterlink.Device, ready []plant.Profile) Device {
	out := Device{
		Unit: d.Unit, SunSpec: d.SunSpec, Base: d.Base,
		Manufacturer: d.Manufacturer, Model: d.Model, Version: d.Version, Serial: d.Serial, Models: []Model{},
	}
	if d.Fault != nil {
		out.Fault = d.Fault.Error()
	}
	for _, b := range d.Blocks {
		out.Models = append(out.Models, model(b, ready))
	}
	for _, o := range f.Devices {
		if out.Serial != "" && o.Same == 0 && o.Manufacturer == out.Manufacturer && o.Model == out.Model && o.Serial == out.Serial {
			out.Same = o.Unit
		}
	}
	return out
}

// model finds the ready-made profile for a block. Its anchor is the head of the
// block, id and length.
func model(b meterlink.Block, ready []plant.Profile) Model {
	m := Model{Model: b.Model, Address: b.Address, Length: b.Length}
	name := fmt.Sprintf("sunspec-%d", b.Model)
	i := slices.IndexFunc(ready, func(p plant.Profile) bool { return p.Name == name && len(p.Anchors) > 0 })
	if i < 0 {
		return m
	}
	p, head := ready[i], ready[i].Anchors[0]
	m.Profile, m.Title, m.Offset = p.Name, p.Title, int(b.Address)-int(head.Address)
	if !slices.Equal(head.Words, []uint16{b.Model, b.Length}) {
		m.Unfit = fmt.Sprintf("the block has length %d, the profile expects %v: copy the profile into the configuration and change its anchor after comparing the map", b.Length, head.Words[1:])
	} else if _, err := profiles.Shift(p, m.Offset); err != nil {
		m.Unfit = err.Error()
	}
	return m
}

// meter is the model to read a device by: the first whole-number one, which
// resolves finer, else the first of floats.
func (d Device) meter() (Model, bool) {
	var best Model
	for _, m := range d.Models {
		isBetter := best.Profile == "" || best.Model >= firstFloat && m.Model < firstFloat
		if m.Profile != "" && m.Unfit == "" && isBetter {
			best = m
		}
	}
	return best, best.Profile != ""
}

// firstFloat is the first meter model of floats; those below are whole numbers.
const firstFloat = 211

// configure gives the lines for the configuration. What only the plant knows is
// left out, so that nothing is taken over by mistake: the check names it.
func (f *Found) configure(c Search) string {
	var meters strings.Builder
	tcp := strings.HasPrefix(f.URL, "tcp://")
	for _, d := range f.Devices {
		m, ok := d.meter()
		if !ok || d.Same != 0 {
			continue
		}
		at := "bus: line"
		if tcp {
			at = fmt.Sprintf("url: %q", f.URL)
		}
		offset := ""
		if m.Offset != 0 {
			offset = fmt.Sprintf(", address_offset: %d", m.Offset)
		}
		fmt.Fprintf(&meters, "  - {name: meter-%d, %s, unit: %d, profile: %s%s} # add max_power, and station or press\n", d.Unit, at, d.Unit, m.Profile, offset)
	}
	if meters.Len() == 0 {
		return ""
	}
	bus := ""
	switch {
	case strings.HasPrefix(f.URL, "rtu://"):
		bus = fmt.Sprintf("buses:\n  - {name: line, url: %q, speed: %d, parity: %s, stop_bits: %d}\n", f.URL, c.Speed, c.Parity, c.StopBits)
	case !tcp:
		bus = fmt.Sprintf("buses:\n  - {name: line, url: %q, speed: %d}\n", f.URL, c.Speed)
	}
	return bus + "meters:\n" + meters.String()
}

func (f *Found) write(w io.Writer, safety string) error {
	var plain, all []uint8
	fmt.Fprintln(w, safety)
	for _, d := range f.Devices {
		all = append(all, d.Unit)
		if !d.SunSpec {
			plain = append(plain, d.Unit)
			continue
		}
		fmt.Fprintf(w, "\nunit %d: SunSpec at %d", d.Unit, d.Base)
		for _, t := range []string{d.Manufacturer, d.Model, d.Version} {
			if t != "" {
				fmt.Fprintf(w, ", %s", t)
			}
		}
		if d.Serial != "" {
			fmt.Fprintf(w, ", serial %s", d.Serial)
		}
		fmt.Fprintln(w)
		if d.Same != 0 {
			fmt.Fprintf(w, "  the same device as unit %d: it answers for other unit ids too\n", d.Same)
			continue
		}
		for _, m := range d.Models {
			fmt.Fprintf(w, "  model %-5d at %-5d length %d%s\n", m.Model, m.Address, m.Length, m.fits())
		}
		if d.Fault != "" {
			fmt.Fprintf(w, "  FAULT: %s\n", d.Fault)
		}
	}
	fmt.Fprintf(w, "\n%d of %d unit ids answer: %s\n", len(all), f.Asked, formatUnits(all))
	if len(plain) > 0 {
		fmt.Fprintf(w, "without SunSpec registers: %s\n", formatUnits(plain))
	}
	if f.Configuration == "" {
		_, err := fmt.Fprintln(w, "no meter that a ready-made profile fits: write a profile from the meter's manual")
		return err
	}
	_, err := fmt.Fprintf(w, "for the configuration:\n\n%s", f.Configuration)
	return err
}

func (m Model) fits() string {
	switch {
	case m.Unfit != "":
		return fmt.Sprintf("   %s does not fit: %s", m.Profile, m.Unfit)
	case m.Profile != "":
		return fmt.Sprintf("   %s: profile %s, address_offset %d", m.Title, m.Profile, m.Offset)
	default:
		return ""
	}
}

// parseUnits reads unit ids such as 1-20,126, and gives them in rising order, each
// once.
func parseUnits(s string) ([]uint8, error) {
	var out []uint8
	for part := range strings.SplitSeq(s, ",") {
		low, high, isRange := strings.Cut(strings.TrimSpace(part), "-")
		if !isRange {
			high = low
		}
		first, err1 := strconv.ParseUint(low, 10, 8)
		last, err2 := strconv.ParseUint(high, 10, 8)
		if err1 != nil || err2 != nil || first > last {
			return nil, fmt.Errorf("--units %q: expected unit ids of 0 to 255, such as 1-20,126", s)
		}
		for u := first; u <= last; u++ {
			out = append(out, uint8(u))
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// formatUnits writes rising unit ids with their runs joined.
func formatUnits(units []uint8) string {
	var parts []string
	for i := 0; i < len(units); {
		end := i
		for end+1 < len(units) && units[end+1] == units[end]+1 {
			end++
		}
		if end > i {
			parts = append(parts, fmt.Sprintf("%d-%d", units[i], units[end]))
		} else {
			parts = append(parts, strconv.Itoa(int(units[i])))
		}
		i = end + 1
	}
	return strings.Join(parts, ", ")
}
