package probe

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/commission"
	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
)

// explorer reads the registers of one meter.
type explorer interface {
	Read(ctx context.Context) (layout.Image, error)
}

// subject is a meter under examination.
type subject struct {
	meter  plant.Meter
	url    string
	source explorer
	watch  commission.Watch
	found  Meter
}

// line is a bus with the meters on it; one goroutine owns it while it is read.
type line struct {
	subjects []*subject
	close    func() error
}

// live reads meters once a second and shows what it finds.
type live struct {
	lines    []line
	once     bool
	json     bool
	terminal bool
	out      io.Writer
	record   Record // with what is known beforehand
	zone     *time.Location
}

// answer is one reading of a meter, or why there is none.
type answer struct {
	of  *subject
	img layout.Image
	err error
}

// period is how often each meter is read and the page shown.
const period = time.Second

// run reads until ctx ends, or every meter once, and gives the last state. Each
// bus has a goroutine of its own, so that a silent one holds up no other; all of
// them have ended when run returns.
func (l *live) run(ctx context.Context) (Record, error) {
	for _, ln := range l.lines {
		for _, s := range ln.subjects {
			s.found = newMeter(s)
		}
	}
	answers := make(chan answer)
	ctx, stop := context.WithCancel(ctx)
	var owners sync.WaitGroup
	ends := make([]error, len(l.lines))
	for i, ln := range l.lines {
		owners.Go(func() { ends[i] = ln.read(ctx, l.once, answers) })
	}
	go func() {
		owners.Wait()
		close(answers)
	}()
	err := l.show(answers)
	stop()
	for range answers { // lets the owners end after a failed page
	}
	return l.state(), errors.Join(append(ends, err)...)
}

// show takes answers until there are no more, and writes a page each second.
func (l *live) show(answers <-chan answer) error {
	tick := time.NewTicker(period)
	defer tick.Stop()
	if l.terminal && !l.json {
		fmt.Fprint(l.out, clearScreen)
	}
	fresh := true // something to show that no page has shown
	for {
		select {
		case a, more := <-answers:
			if !more {
				if fresh {
					return l.page()
				}
				return nil
			}
			l.take(a)
			fresh = true
		case <-tick.C:
			if l.once || !l.anyRead() {
				continue
			}
			if err := l.page(); err != nil {
				return err
			}
			fresh = false
		}
	}
}

// anyRead says whether there is anything to show yet.
func (l *live) anyRead() bool {
	for _, ln := range l.lines {
		for _, s := range ln.subjects {
			if !s.found.At.IsZero() || s.found.Problem != notRead {
				return true
			}
		}
	}
	return false
}

// take judges one reading.
func (l *live) take(a answer) {
	s := a.of
	if a.err != nil {
		s.found.Problem = a.err.Error()
		return
	}
	s.watch.Add(s.meter, a.img)
	s.found.set(a.img.At, commission.Examine(s.meter, a.img, l.record.Transformer, &s.watch))
}

// state is the record of now.
func (l *live) state() Record {
	r := l.record
	r.At = time.Now().UTC().Truncate(time.Second)
	for _, ln := range l.lines {
		for _, s := range ln.subjects {
			r.Meters = append(r.Meters, s.found)
		}
	}
	return r
}

// page writes the state of now in one piece.
func (l *live) page() error {
	r := l.state()
	var b bytes.Buffer
	switch {
	case l.json && l.once:
		return desk.WriteJSON(l.out, r)
	case l.json:
		return json.NewEncoder(l.out).Encode(r)
	case l.terminal && len(r.Meters) > 1 && !l.once:
		writeOverview(&b, r, l.zone)
	default:
		writePage(&b, r, l.zone)
	}
	text := b.Bytes()
	if l.terminal {
		text = redraw(text)
	}
	_, err := l.out.Write(text)
	return err
}

// read reads the meters of a line in turn until ctx ends, or each once, and closes
// the line.
func (ln line) read(ctx context.Context, once bool, to chan<- answer) error {
	next := time.NewTicker(period)
	defer next.Stop()
	for {
		for _, s := range ln.subjects {
			img, err := s.source.Read(ctx)
			if ctx.Err() != nil {
				return ln.close()
			}
			select {
			case to <- answer{s, img, err}:
			case <-ctx.Done():
				return ln.close()
			}
		}
		if once {
			return ln.close()
		}
		select {
		case <-next.C:
		case <-ctx.Done():
			return ln.close()
		}
	}
}
