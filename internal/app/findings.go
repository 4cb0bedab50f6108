package app

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/work/collect"
	"curetally/internal/work/lampbook"
	"curetally/internal/work/publish"
	"curetally/internal/work/web"
)

// unheard lists tasks of the plant's own rules that look at what nobody sends.
func unheard(p *plant.Plant, tasks []upkeep.Task) []web.Finding {
	var out []web.Finding
	for _, t := range tasks {
		own := func(r plant.TaskRule) bool { return r.ID == t.Rule && !r.Ready }
		if len(t.Unheard) > 0 && slices.ContainsFunc(p.Rules, own) {
			out = append(out, web.Finding{
				Kind: "unheard signal", Subject: string(t.Rule) + "/" + t.Subject,
				Text:   "The task looks at " + strings.Join(t.Unheard, " and ") + ", and nothing is on record of it.",
				Remedy: "Map the signal under topics, correct its name in the rule, or remove the limit.",
			})
		}
	}
	return out
}

// findings lists what is wrong now and what to do about it.
func (d *Daemon) findings(snap *publish.Snapshot) []web.Finding {
	var out []web.Finding
	if d.record.Stats().StoreDown {
		out = append(out, web.Finding{
			Kind: "database", Subject: "facts wait in the spool",
			Text:   "The database does not take what is received. Nothing is lost: it waits in the spool.",
			Remedy: "Look at the daemon's log for the cause, then check that the database runs and has space.",
		})
	}
	if room := d.spool.Room(); !room.Since.IsZero() {
		out = append(out, web.Finding{
			Kind: "spool", Subject: "the spool is at its bound", Since: room.Since,
			Text: fmt.Sprintf("Facts that waited longest were given up: %d samples, %d readings within intervals. Energy and hours stay whole; how they lie within the intervals does not.",
				room.Thinned.Signals, room.Thinned.Readings),
			Remedy: "Bring the database back, or give the spool more of the disk by spool.max_megabytes.",
		})
	}
	out = append(out, contradictions(d.selfcheck.Violations())...)
	if d.stations != nil && !d.stations.connected() {
		out = append(out, web.Finding{
			Kind: "broker", Subject: "no connection to the MQTT broker",
			Text:   "Station states are unknown until it is back.",
			Remedy: "Check the broker and its address in the configuration.",
		})
	}
	for _, p := range d.pollers {
		for _, h := range p.Health() {
			if h.Trouble != collect.Sound {
				kind, remedy := troubleOf(h.Trouble)
				out = append(out, web.Finding{Kind: kind, Subject: string(h.Meter), Text: h.LastError, Since: h.Since, Remedy: remedy})
			}
		}
	}
	for _, st := range d.plant.Stations() {
		if !snap.Deaf && snap.StateOf(st) == plant.StateFault {
			out = append(out, web.Finding{
				Kind: "lamp fault", Subject: string(st.ID), Since: snap.Since[st.ID],
				Text:   "The station's controller reports a fault; the lamp is dark.",
				Remedy: "Read the fault at the controller. If the lamp failed, change it and record both: curetally lamp remove, curetally lamp fit.",
			})
		}
		if e := snap.Events[st.ID]; !snap.Deaf && (snap.StateOf(st) == plant.StateUnknown || e.Inferred()) {
			text := "its state is unknown, neither off nor lit."
			if e.Inferred() {
				text = "its state is concluded from the power of its meter, and marked so."
			}
			f := web.Finding{
				Kind: "silent station", Subject: string(st.ID),
				Text:   fmt.Sprintf("Nothing was heard for longer than %v; ", st.Silence) + text,
				Remedy: "Check the station's controller, its network and the topic in the configuration.",
			}
			if !e.Inferred() {
				f.Since = e.At
			}
			out = append(out, f)
		}
	}
	if look := d.plan.Newest(); look != nil {
		out = append(out, unheard(d.plant, look.Tasks)...)
	}
	out = append(out, oversized(d.plant, snap.Loads)...)
	out = append(out, lampFindings(d.lamps.Newest())...)
	out = append(out, ofSavings(snap)...)
	now := d.counts.now()
	out = append(out, wrongClocks(d.plant.ClockLimit, d.clock.Ahead(), now.clocks)...)
	for _, h := range now.held {
		reg, _ := d.plant.FindRegister(h.Register)
		per, unit := reg.Quantity.PerDisplay(), reg.Quantity.DisplayUnit()
		out = append(out, web.Finding{
			Kind: "implausible register", Subject: string(h.Register), Since: h.At,
			Text: fmt.Sprintf("The register went from %.3f to %.3f %s, more than can be true; the value is held out of the count.",
				float64(h.Before)/per, float64(h.After)/per, unit),
			Remedy: "If the meter was exchanged, declare it: curetally exchange " + string(h.Register) + " --final … --first … --at … --by … " +
				"Else rule on the value: curetally ruling give " + string(h.Register) + " accept|discard|restart --by … --note …",
		})
	}
	for _, s := range now.stuck {
		out = append(out, s.finding())
	}
	if n := len(now.refusals); n > 0 && snap.At.Sub(now.refusals[0].At) < 24*time.Hour {
		r := now.refusals[0]
		out = append(out, web.Finding{
			Kind: "refused message", Subject: r.Source, Text: r.Reason, Since: r.At,
			Remedy: fmt.Sprintf("%d messages or values were refused in all; the newest are kept with their content.", now.refused),
		})
	}
	return out
}

// lampFindings are those of the newest book of lamps, which may not be there yet.
func lampFindings(book *lampbook.Kept) []web.Finding {
	if book == nil {
		return nil
	}
	var out []web.Finding
	for _, f := range book.Findings {
		out = append(out, web.Finding(f))
	}
	return out
}
