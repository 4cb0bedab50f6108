package api

import (
	"context"
	"fmt"
	"iter"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"curetally/internal/core/plant"
)

// Records gives what is on record.
type Records interface {
	// Registers gives all registers of the configuration.
	Registers() []plant.Register
	// Entries gives the entries of registers in [from, to) by start; a zero to has no
	// end. An error ends the sequence and comes last.
	Entries(ctx context.Context, regs []string, from, to time.Time) iter.Seq2[plant.Entry, error]
	// Audit gives up to limit acts recorded before the one with an id (0: all),
	// the newest first.
	Audit(ctx context.Context, before int64, limit int) ([]Act, error)
	// Day gives the first instant of the local day that holds an instant.
	Day(t time.Time) time.Time
}

// Act is what a person did, as the log has it.
type Act struct {
	ID      int64     `json:"id"`
	At      time.Time `json:"at" doc:"When it was recorded."`
	By      string    `json:"by"`
	Action  string    `json:"action"`
	Subject string    `json:"subject"`
	Detail  string    `json:"detail"`
}

// Register is a cumulative register.
type Register struct {
	Name     string `json:"register" doc:"OWNER/VALUE."`
	Quantity string `json:"quantity"`
	Unit     string `json:"unit" doc:"Of amounts: mWh, ms, cm², mm or counts."`
	Station  string `json:"station,omitempty"`
	Press    string `json:"press,omitempty"`
	Part     bool   `json:"part" doc:"Not added to what its meter used."`
}

// Entry is the amount of a register over an interval in one state, with one light
// source and one lamp.
type Entry struct {
	Register   string    `json:"register"`
	Start      time.Time `json:"start" doc:"Begin of the interval."`
	State      string    `json:"state" doc:"none for a register that no station owns."`
	Technology string    `json:"technology"`
	Lamp       string    `json:"lamp,omitempty"`
	Amount     int64     `json:"amount" doc:"In the register's unit."`
	Unit       string    `json:"unit"`
	Quality    string    `json:"quality" doc:"The worst of what was added: measured, interpolated, inferred, estimated or unknown."`
}

type entryQuery struct {
	Paging
	Register []string  `query:"register,explode" maxItems:"50" doc:"Only this register, as OWNER/VALUE; may be given several times."`
	From     time.Time `query:"from" doc:"Begin, included."`
	To       time.Time `query:"to" doc:"End, excluded."`
	Interval string    `query:"interval" enum:"stored,hour,day" default:"stored" doc:"Length of the intervals: as stored, hours, or days of the site."`
}

// records registers registers, entries and the log.
func (a *API) records() {
	table(a, about{"list-registers", "/registers", "records", "Registers", "All registers of the configuration with the units of their amounts."},
		func(_ context.Context, in Paging) ([]Register, string, error) {
			var out []Register
			for _, r := range a.o.Records.Registers() {
				out = append(out, Register{string(r.ID), r.Quantity.String(), unitOf(r.Quantity), string(r.Station), string(r.Press), r.Part})
			}
			return paged(out, in)
		})
	table(a, about{
		"list-entries", "/entries", "records", "Entries",
		"Amounts by register, interval, state, light source and lamp. Those of a register add up exactly to what it counted; the newest interval grows until it is over.",
	}, a.entries)
	table(a, about{"list-acts", "/audit", "records", "What people did", "The log of what people put on record, the newest first."},
		func(ctx context.Context, in Paging) ([]Act, string, error) {
			var before int64
			if in.After != "" {
				var err error
				if before, err = strconv.ParseInt(in.After, 10, 64); err != nil || before < 1 {
					return nil, "", huma.NewError(http.StatusBadRequest, errPage.Error())
				}
			}
			acts, err := a.o.Records.Audit(ctx, before, in.Limit+1)
			if err != nil || len(acts) <= in.Limit {
				return acts, "", err
			}
			acts = acts[:in.Limit]
			return acts, strconv.FormatInt(acts[len(acts)-1].ID, 10), nil
		})
}

func unitOf(q plant.Quantity) string {
	switch q {
	case plant.QuantityEnergy:
		return "mWh"
	case plant.QuantityTime:
		return "ms"
	case plant.QuantityArea:
		return "cm²"
	case plant.QuantityLength:
		return "mm"
	default:
		return "counts"
	}
}

func (a *API) entries(ctx context.Context, in entryQuery) ([]Entry, string, error) {
	quantities := map[plant.RegisterID]plant.Quantity{}
	for _, r := range a.o.Records.Registers() {
		quantities[r.ID] = r.Quantity
	}
	for _, name := range in.Register {
		if _, ok := quantities[plant.RegisterID(name)]; !ok {
			return nil, "", huma.NewError(http.StatusNotFound, fmt.Sprintf("register %q is not in the configuration; %s/registers lists them", name, Prefix))
		}
	}
	from, skip, err := cursor(in.After, in.From)
	if err != nil {
		return nil, "", err
	}
	place := place{start: from}
	var out []Entry
	for e, err := range a.spread(ctx, in, from) {
		if err != nil {
			return nil, "", err
		}
		if !e.Start.Equal(place.start) {
			place.start, place.count = e.Start, 0
		}
		if place.count++; e.Start.Equal(from) && place.count <= skip {
			continue
		}
		if len(out) == in.Limit {
			return out, fmt.Sprintf("%d.%d", e.Start.UnixMilli(), place.count-1), nil
		}
		out = append(out, Entry{
			Register: string(e.Register), Start: e.Start, State: e.State.String(), Technology: e.Technology.String(), Lamp: string(e.Lamp),
			Amount: e.Amount, Unit: unitOf(quantities[e.Register]), Quality: e.Quality.String(),
		})
	}
	return out, "", nil
}

// place is how many entries of a start were seen.
type place struct {
	start time.Time
	count int
}

// cursor reads "MILLISECONDS.COUNT": the start of the first entry of the page, and
// how many of that start the page before gave already.
func cursor(after string, from time.Time) (start time.Time, skip int, err error) {
	if after == "" {
		return from, 0, nil
	}
	ms, n, _ := strings.Cut(after, ".")
	millis, err := strconv.ParseInt(ms, 10, 64)
	if err == nil {
		skip, err = strconv.Atoi(n)
	}
	if err != nil {
		return from, 0, huma.NewError(http.StatusBadRequest, errPage.Error())
	}
	return time.UnixMilli(millis).UTC(), skip, nil
}

// spread gives entries over the intervals that were asked for. Longer intervals
// take the entries that begin in them.
func (a *API) spread(ctx context.Context, in entryQuery, from time.Time) iter.Seq2[plant.Entry, error] {
	if from.Before(in.From) {
		from = in.From // of a longer interval that begins before
	}
	stored := a.o.Records.Entries(ctx, in.Register, from, in.To)
	begin := func(t time.Time) time.Time { return t.Truncate(time.Hour) }
	switch in.Interval {
	case "day":
		begin = a.o.Records.Day
	case "hour":
	default:
		return stored
	}
	return func(yield func(plant.Entry, error) bool) {
		var open []plant.Entry // of the present interval
		for e, err := range stored {
			if err != nil {
				yield(e, err)
				return
			}
			e.Start = begin(e.Start)
			if len(open) > 0 && !open[0].Start.Equal(e.Start) {
				if !giveAll(open, yield) {
					return
				}
				open = open[:0]
			}
			same := func(o plant.Entry) bool {
				return o.Register == e.Register && o.State == e.State && o.Technology == e.Technology && o.Lamp == e.Lamp
			}
			if i := slices.IndexFunc(open, same); i >= 0 {
				open[i].Amount += e.Amount
				open[i].Quality = max(open[i].Quality, e.Quality)
			} else {
				open = append(open, e)
			}
		}
		giveAll(open, yield)
	}
}

func giveAll(all []plant.Entry, yield func(plant.Entry, error) bool) bool {
	for _, e := range all {
		if !yield(e, nil) {
			return false
		}
	}
	return true
}
