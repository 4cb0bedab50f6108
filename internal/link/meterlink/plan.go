package meterlink

import (
	"cmp"
	"fmt"
	"slices"

	"curetally/internal/core/plant"
)

// The limits of reading registers.
// Source: Modbus Application Protocol V1.1b3, sections 6.3 and 6.4.
const (
	functionHolding = 3
	functionInput   = 4
	maxRegisters    = 125
	addressSpace    = 1 << 16
)

// request is one read of consecutive registers.
type request struct {
	function uint8
	address  uint16
	words    uint16
}

// String names the request as messages do.
func (r request) String() string {
	return fmt.Sprintf("function %d, address %d, %d registers", r.function, r.address, r.words)
}

func (r request) end() int { return int(r.address) + int(r.words) }

// holds says whether the request covers the span.
func (r request) holds(function uint8, s span) bool {
	return r.function == function && int(r.address) <= s.start && s.end <= r.end()
}

// place is where in the answers of a plan a run of words lies.
type place struct {
	request, offset int
}

// check is one comparison of an anchor.
type check struct {
	at    place
	words []uint16
}

// plan is what is read of a meter in one poll: the requests in their order,
// where the values lie in the answers, and what must be found there.
//
// On RTU framing, requests of different length make a shifted answer visible,
// as its length is wrong. The plan does not pad requests to that end: a
// register that no value or allowed gap covers may not be readable. The probe
// does the same job with registers that are read anyhow.
type plan struct {
	requests []request
	values   []value
	checks   []check
	// cumulative counts the values that are registers; the others are signals.
	cumulative int
	// probe is a part of a request, cut between values, with a length that no
	// request has; nil when the map offers none.
	probe *request
}

// span is a half-open range of registers.
type span struct{ start, end int }

// cluster is a set of spans that are read together: a value with its scale
// register, so that both are of the same instant, or an anchor.
type cluster struct {
	start, end int
	spans      []span
}

func newCluster(spans ...span) cluster {
	c := cluster{start: spans[0].start, end: spans[0].end, spans: spans}
	for _, s := range spans[1:] {
		c.start, c.end = min(c.start, s.start), max(c.end, s.end)
	}
	return c
}

// waste counts the registers between start and end that no span covers.
func (c cluster) waste() int {
	used := make([]bool, c.end-c.start)
	for _, s := range c.spans {
		for a := s.start; a < s.end; a++ {
			used[a-c.start] = true
		}
	}
	waste := 0
	for _, u := range used {
		if !u {
			waste++
		}
	}
	return waste
}

// newPlan lays out the reads of a checked profile; values are those of
// compileValues, in the profile's order.
func newPlan(p plant.Profile, values []value) plan {
	pl := plan{values: values}
	for _, f := range []uint8{functionHolding, functionInput} {
		for _, c := range merge(clusters(p, f), int(p.MaxWaste)) {
			pl.requests = append(pl.requests, request{function: f, address: uint16(c.start), words: uint16(c.end - c.start)})
		}
	}
	for i, pv := range p.Values {
		own, scale := spansOf(pv)
		v := &pl.values[i]
		if v.cumulative {
			pl.cumulative++
		}
		if v.scaled {
			if at, ok := pl.find(pv.Function, newCluster(own, scale)); ok {
				v.at = place{at, own.start - int(pl.requests[at].address)}
				v.scaleAt = place{at, scale.start - int(pl.requests[at].address)}
				continue
			}
			at, _ := pl.find(pv.Function, newCluster(scale)) // clusters put it there
			v.scaleAt = place{at, scale.start - int(pl.requests[at].address)}
		}
		at, _ := pl.find(pv.Function, newCluster(own)) // clusters put it there
		v.at = place{at, own.start - int(pl.requests[at].address)}
	}
	for _, a := range p.Anchors {
		s := span{int(a.Address), int(a.Address) + len(a.Words)}
		for i, r := range pl.requests {
			if r.holds(a.Function, s) {
				pl.checks = append(pl.checks, check{at: place{i, s.start - int(r.address)}, words: a.Words})
			}
		}
	}
	pl.probe = pl.findProbe(p)
	return pl
}

// spansOf gives a value's registers and those of its scale register; the latter
// are empty when it has none.
func spansOf(pv plant.ProfileValue) (own, scale span) {
	own = span{int(pv.Address), int(pv.Address) + int(pv.Type.Words())}
	if pv.ScaleRegister != nil {
		scale = span{int(*pv.ScaleRegister), int(*pv.ScaleRegister) + 1}
	}
	return own, scale
}

// clusters lists what must be read with one function, by address.
func clusters(p plant.Profile, function uint8) []cluster {
	var cs []cluster
	for _, pv := range p.Values {
		if pv.Function != function {
			continue
		}
		own, scale := spansOf(pv)
		switch both := newCluster(own, scale); {
		case pv.ScaleRegister == nil:
			cs = append(cs, newCluster(own))
		case both.end-both.start <= maxRegisters:
			cs = append(cs, both)
		default:
			cs = append(cs, newCluster(own), newCluster(scale))
		}
	}
	for _, a := range p.Anchors {
		if a.Function == function {
			cs = append(cs, newCluster(span{int(a.Address), int(a.Address) + len(a.Words)}))
		}
	}
	slices.SortStableFunc(cs, func(a, b cluster) int {
		return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.end, b.end))
	})
	return cs
}

// merge joins neighbours while the whole fits one request and its unused
// registers stay within maxWaste. Gaps inside a cluster, between a value and
// its scale register, do not count: those are read together in any case.
func merge(cs []cluster, maxWaste int) []cluster {
	var out []cluster
	for _, c := range cs {
		if len(out) > 0 {
			last := &out[len(out)-1]
			both := cluster{last.start, max(last.end, c.end), slices.Concat(last.spans, c.spans)}
			if both.end-both.start <= maxRegisters && both.waste() <= max(maxWaste, last.waste()+c.waste()) {
				*last = both
				continue
			}
		}
		out = append(out, c)
	}
	return out
}

// find gives the first request that covers a whole cluster.
func (pl *plan) find(function uint8, c cluster) (int, bool) {
	i := slices.IndexFunc(pl.requests, func(r request) bool { return r.holds(function, span{c.start, c.end}) })
	return i, i >= 0
}

// findProbe looks for the shortest beginning of a request that cuts no value
// and no anchor and whose length is not that of any request.
func (pl *plan) findProbe(p plant.Profile) *request {
	var best *request
	for _, r := range pl.requests {
		var spans []span
		for _, c := range clusters(p, r.function) {
			for _, s := range c.spans {
				if r.holds(r.function, s) {
					spans = append(spans, s)
				}
			}
		}
		for _, s := range spans {
			cuts := func(o span) bool { return o.start < s.end && s.end < o.end }
			words := uint16(s.end - int(r.address))
			taken := func(o request) bool { return o.words == words }
			if slices.ContainsFunc(spans, cuts) || slices.ContainsFunc(pl.requests, taken) {
				continue
			}
			if best == nil || words < best.words {
				best = &request{function: r.function, address: r.address, words: words}
			}
		}
	}
	return best
}
