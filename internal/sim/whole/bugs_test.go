package whole

import (
	"curetally/internal/core/plant"
	planner "curetally/internal/work/plan"
	"curetally/internal/work/record"
	"curetally/internal/work/settle"
	"curetally/internal/work/tell"
)

// bug is a mistake that is planted between the daemon and the outside. Fields that
// are nil change nothing.
type bug struct {
	name string
	// of says what the daemon, or its database, would do wrong.
	of string

	onSink    func(record.Store, *world) record.Store
	onQueue   func(record.Spool, *world) record.Spool
	onFacts   func(settle.Store, *world) settle.Store
	onNotices func(tell.Store, *world) tell.Store
	onOutlook func(planner.Store, *world) planner.Store
	onSite    func(*plant.Plant)
	bareClock bool
}

// wrapped gives what a bug makes of a part.
func wrapped[T any](part T, w *world, wrap func(T, *world) T) T {
	if wrap == nil {
		return part
	}
	return wrap(part, w)
}

func (b bug) sink(s record.Store, w *world) record.Store      { return wrapped(s, w, b.onSink) }
func (b bug) queue(s record.Spool, w *world) record.Spool     { return wrapped(s, w, b.onQueue) }
func (b bug) facts(s settle.Store, w *world) settle.Store     { return wrapped(s, w, b.onFacts) }
func (b bug) notices(s tell.Store, w *world) tell.Store       { return wrapped(s, w, b.onNotices) }
func (b bug) outlook(s planner.Store, w *world) planner.Store { return wrapped(s, w, b.onOutlook) }

// site gives the plant as the daemon is told of it.
func (b bug) site(p *plant.Plant) *plant.Plant {
	if b.onSite == nil {
		return p
	}
	other := alderLane(p.TimeZone)
	b.onSite(other)
	return other
}
