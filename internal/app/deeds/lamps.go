package deeds

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/lampledger"
	"curetally/internal/core/plant"
	"curetally/internal/work/lampbook"
)

// FitLamp records that f.Lamp was put into f.Station at f.From. kind is for a lamp
// that is new; empty, it is the one of the light in the station.
func (b Book) FitLamp(ctx context.Context, f plant.Fitting, kind string) (string, error) {
	st, err := b.station(f.Station)
	if err != nil {
		return "", err
	}
	if f.From, err = b.act(f.By, f.From); err != nil {
		return "", err
	}
	lamp, known, err := b.lamp(ctx, f.Lamp)
	if err != nil {
		return "", err
	}
	if !known || kind != "" { // a lamp keeps its kind
		if lamp.Kind, err = b.kind(kind, st, f.From); err != nil {
			return "", err
		}
	}
	if err := b.Store.FitLamp(ctx, f, lamp.Kind); err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: lamp %s (%s) in %s from %s", f.Lamp, lamp.Kind, st.ID, b.moment(f.From)), nil
}

func (b Book) station(id plant.StationID) (plant.Station, error) {
	st, ok := b.Plant.FindStation(id)
	if !ok {
		return st, Unknown("station", string(id), b.Plant.Stations(), func(s plant.Station) string { return string(s.ID) })
	}
	return st, nil
}

// lamp looks a lamp on record up.
func (b Book) lamp(ctx context.Context, serial plant.LampSerial) (lamp plant.Lamp, found bool, err error) {
	lamps, err := b.Store.Lamps(ctx)
	if i := slices.IndexFunc(lamps, func(l plant.Lamp) bool { return l.Serial == serial }); i >= 0 {
		return lamps[i], true, err
	}
	return plant.Lamp{}, false, err
}

// kind is the one that was given, else the station's own where it is of the
// light that the station had then, else the only one of that light.
func (b Book) kind(given string, st plant.Station, at time.Time) (string, error) {
	if given != "" {
		return given, b.knownKind(given)
	}
	light := st.TechnologyAt(at)
	var fitting []string
	for _, k := range b.Plant.LampKinds {
		if k.Technology != light {
			continue
		}
		if k.Name == st.LampKind {
			return k.Name, nil
		}
		fitting = append(fitting, k.Name)
	}
	if len(fitting) == 1 {
		return fitting[0], nil
	}
	if len(fitting) == 0 {
		return "", refused("station %s was of technology %s on %s, for which the configuration has no lamp kind — add one under lamp_kinds", st.ID, light, b.date(at))
	}
	return "", refused("station %s was of technology %s on %s — name the kind of lamp with --kind: %s", st.ID, light, b.date(at), strings.Join(fitting, " or "))
}

func (b Book) knownKind(name string) error {
	if _, ok := b.Plant.FindLampKind(name); !ok {
		return Unknown("lamp kind", name, b.Plant.LampKinds, func(k plant.LampKind) string { return k.Name })
	}
	return nil
}

// RemoveLamp records that f.Lamp was taken out at f.To for f.Reason.
func (b Book) RemoveLamp(ctx context.Context, f plant.Fitting) (string, error) {
	at, err := b.act(f.By, f.To)
	if err != nil {
		return "", err
	}
	lamp, known, err := b.lamp(ctx, f.Lamp)
	if err != nil {
		return "", err
	}
	if !known {
		return "", &said{ErrUnknown, fmt.Sprintf("lamp %q is not on record — curetally lamp list shows all lamps", f.Lamp)}
	}
	if err := b.Store.RemoveLamp(ctx, lamp.Serial, at, f.Reason, f.By); err != nil {
		return "", err
	}
	text := fmt.Sprintf("recorded: lamp %s taken out %s (%s)", f.Lamp, b.moment(at), f.Reason)
	if k, ok := b.Plant.FindLampKind(lamp.Kind); ok && k.Technology == plant.TechnologyArc {
		text += "\nA mercury lamp: never bin or crush. Box, label, date, recycle; follow your site's rules and local law."
	}
	return text, nil
}

// ReceiveLamps records that lamps came into the store.
func (b Book) ReceiveLamps(ctx context.Context, r plant.Receipt) (string, error) {
	err := b.knownKind(r.Kind)
	if err != nil {
		return "", err
	}
	if r.At, err = b.act(r.By, r.At); err != nil {
		return "", err
	}
	serials, err := b.Store.ReceiveLamps(ctx, r)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s of kind %s received %s: %s", count(len(serials), "lamp"), r.Kind, b.moment(r.At), listed(serials)), nil
}

// listed joins serials; of many the first few and the last.
func listed(serials []plant.LampSerial) string {
	words := make([]string, len(serials))
	for i, s := range serials {
		words[i] = string(s)
	}
	if n := len(words); n > 10 {
		return strings.Join(words[:8], ", ") + " … " + words[n-1]
	}
	return strings.Join(words, ", ")
}

// DisposeLamps records that spent lamps left the plant: the named ones, or all of a
// kind where none is named. m says when, who and by which note.
func (b Book) DisposeLamps(ctx context.Context, serials []plant.LampSerial, kind string, m plant.LampMovement) (string, error) {
	var err error
	if m.At, err = b.act(m.By, m.At); err != nil {
		return "", err
	}
	if len(serials) == 0 {
		if serials, err = b.spent(ctx, kind, m.At); err != nil {
			return "", err
		}
	}
	if err := b.Store.DisposeLamps(ctx, serials, m); err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s disposed of %s: %s", count(len(serials), "lamp"), b.moment(m.At), listed(serials)), nil
}

func (b Book) spent(ctx context.Context, kind string, at time.Time) ([]plant.LampSerial, error) {
	records, err := lampbook.Records(ctx, b.Store, b.Plant, at)
	if err != nil {
		return nil, err
	}
	var serials []plant.LampSerial
	for _, r := range records {
		if r.Lamp.Kind == kind && r.Place == lampledger.Spent {
			serials = append(serials, r.Lamp.Serial)
		}
	}
	if len(serials) == 0 {
		return nil, refused("no spent lamp of kind %q is in the plant — curetally lamp stock shows what there is", kind)
	}
	return serials, nil
}

// ReadOutput records the output of a lamp as it was read by hand.
func (b Book) ReadOutput(ctx context.Context, r plant.OutputReading) (string, error) {
	st, err := b.station(r.Station)
	if err != nil {
		return "", err
	}
	if r.At, err = b.act(r.By, r.At); err != nil {
		return "", err
	}
	if err := b.Store.RecordOutput(ctx, r); err != nil {
		return "", err
	}
	return fmt.Sprintf("recorded: %s read %v W/cm² %s by %s", st.ID, r.Irradiance, b.moment(r.At), r.By), nil
}
