package tell

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
)

// shelf keeps notices as the store does, in memory.
type shelf struct {
	mu      sync.Mutex
	records map[string]notice.Record
	known   map[string]bool
	all     []notice.Delivery
	// lost makes that many marks fail: the program is as good as killed between
	// sending and marking.
	lost int
}

func newShelf() *shelf { return &shelf{records: map[string]notice.Record{}, known: map[string]bool{}} }

func (s *shelf) Announce(_ context.Context, decide func([]notice.Record) ([]notice.Record, []notice.Posted)) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var before []notice.Record
	for _, r := range s.records {
		before = append(before, r)
	}
	changed, posted := decide(before)
	for _, r := range changed {
		s.records[r.Subject] = r
	}
	n := 0
	for _, p := range posted {
		key := p.Notice.Subject + " " + p.Notice.Transition
		if s.known[key] {
			continue
		}
		s.known[key] = true
		n++
		p.Notice.ID = int64(len(s.known))
		for _, to := range p.To {
			s.all = append(s.all, notice.Delivery{Notice: p.Notice, Channel: to.Channel, State: notice.Waiting, Due: to.Due, First: to.Due})
		}
	}
	return n, nil
}

func (s *shelf) Claim(_ context.Context, channel string, at time.Time, lease time.Duration, limit int) ([]notice.Delivery, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []notice.Delivery
	for i := range s.all {
		d := &s.all[i]
		if d.Channel != channel || d.State != notice.Waiting || d.Due.After(at) || len(out) == limit {
			continue
		}
		d.Due, d.Attempt = at.Add(lease), d.Attempt+1
		out = append(out, *d)
	}
	return out, nil
}

func (s *shelf) Settled(_ context.Context, all []notice.Delivery) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lost > 0 {
		s.lost--
		return errors.New("connection refused")
	}
	for _, d := range all {
		for i := range s.all {
			if s.all[i].Notice.ID == d.Notice.ID && s.all[i].Channel == d.Channel {
				s.all[i] = d
			}
		}
	}
	return nil
}

func (s *shelf) states() map[notice.State]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[notice.State]int{}
	for _, d := range s.all {
		out[d.State]++
	}
	return out
}

// way is a channel that fails as told.
type way struct {
	mu   sync.Mutex
	fail error
	hang bool
	got  []notice.Message
	at   []time.Time
}

func (w *way) Send(ctx context.Context, m notice.Message) error {
	w.mu.Lock()
	fail, hang := w.fail, w.hang
	w.mu.Unlock()
	if hang {
		<-ctx.Done()
		return ctx.Err()
	}
	if fail != nil {
		return fail
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.got, w.at = append(w.got, m), append(w.at, time.Now())
	return nil
}

func (w *way) set(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fail = err
}

func (w *way) messages() []notice.Message {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.got)
}

type refused struct{}

func (refused) Error() string   { return "no such mailbox" }
func (refused) Permanent() bool { return true }

// tasks are conditions of two tasks.
func tasks(status string) []notice.Condition {
	return []notice.Condition{
		{Form: notice.Task, Topic: notice.Upkeep, Subject: "task lamp-change/heron-1", Status: status, Title: "Change the lamp"},
		{Form: notice.Task, Topic: notice.Upkeep, Subject: "task lens-clean/heron-1", Status: status, Title: "Clean the lens"},
	}
}

// told runs a teller over channels while a test lives, in a bubble of fake time.
type told struct {
	*shelf
	log  bytes.Buffer
	mu   sync.Mutex // guards now
	now  []notice.Condition
	stop func()
}

func run(t *testing.T, s *shelf, now []notice.Condition, channels ...Channel) *told {
	r := &told{shelf: s, now: now}
	tl := New(Options{
		Store: s, Plant: &plant.Plant{Name: "Alder Lane Labels", TimeZone: time.UTC},
		Look: func(context.Context, time.Time) ([]notice.Condition, bool, error) {
			r.mu.Lock()
			defer r.mu.Unlock()
			return r.now, true, nil
		},
		Channels: channels, Limits: notice.Limits{Settle: 3 * time.Minute, Clear: 10 * time.Minute, Unanswered: 24 * time.Hour},
		Retries: notice.UsualRetries(), Rand: rand.New(rand.NewPCG(1, 2)), Log: slog.New(slog.NewTextHandler(&r.log, nil)),
	})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- tl.Run(ctx) }()
	r.stop = func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	return r
}

// pass lets fake time go by.
func pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func TestServerDownForADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, other := &way{fail: errors.New("connection refused")}, &way{}
		r := run(t, newShelf(), tasks("due"),
			Channel{Route: notice.Route{Channel: "mail"}, Sender: w, Together: 50},
			Channel{Route: notice.Route{Channel: "hook"}, Sender: other, Together: 1})
		pass(24 * time.Hour)
		if n := len(other.messages()); n != 2 {
			t.Errorf("the channel that works sent %d messages, want 2", n)
		}
		w.set(nil)
		pass(2 * time.Hour)
		r.stop()
		got := w.messages()
		if len(got) != 1 || len(got[0].Notices) != 2 {
			t.Fatalf("after a day: %+v, want one message with both", got)
		}
		if s := r.states(); s[notice.Sent] != 4 {
			t.Errorf("states %v", s)
		}
		if n := strings.Count(r.log.String(), "could not be delivered yet"); n != 1 {
			t.Errorf("%d lines about one failure:\n%s", n, &r.log)
		}
	})
}

func TestHangingReceiverHoldsUpNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, other := &way{hang: true}, &way{}
		r := run(t, newShelf(), tasks("overdue"),
			Channel{Route: notice.Route{Channel: "hanging"}, Sender: w, Together: 1},
			Channel{Route: notice.Route{Channel: "hook"}, Sender: other, Together: 1})
		pass(20 * time.Second)
		if n := len(other.messages()); n != 2 {
			t.Errorf("the other sent %d messages within 20 s, want 2", n)
		}
		pass(200 * time.Hour)
		r.stop()
		if s := r.states(); s[notice.Dead] != 2 || s[notice.Sent] != 2 {
			t.Errorf("states %v, want 2 dead and 2 sent", s)
		}
	})
}

func TestRefusalIsNotTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := run(t, newShelf(), tasks("due"), Channel{Route: notice.Route{Channel: "mail"}, Sender: &way{fail: refused{}}, Together: 1})
		pass(time.Minute)
		r.stop()
		if s := r.states(); s[notice.Dead] != 2 || !strings.Contains(r.log.String(), "no such mailbox") {
			t.Errorf("states %v\n%s", s, &r.log)
		}
	})
}

// Killed between sending and marking: it is sent again when the claim runs out,
// with the same key, so that a receiver can drop it.
func TestSentButNotMarkedIsSentAgainWithItsKey(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, w := newShelf(), &way{}
		s.lost = 1
		c := Channel{Route: notice.Route{Channel: "hook"}, Sender: w, Together: 50}
		r := run(t, s, tasks("due"), c)
		pass(time.Minute)
		r.stop()
		r = run(t, s, tasks("due"), c) // the next start
		pass(5 * time.Minute)
		if n := len(w.messages()); n != 1 {
			t.Errorf("%d messages within the claim, want 1", n)
		}
		pass(10 * time.Minute)
		r.stop()
		got := w.messages()
		if len(got) != 2 || got[0].Key != got[1].Key || got[0].Key == "" {
			t.Fatalf("messages %+v, want twice the same key", got)
		}
		if st := s.states(); st[notice.Sent] != 2 {
			t.Errorf("states %v", st)
		}
	})
}

// A digest gathers what came since the last, once on a day of 25 hours too.
func TestDigestOverAClockChange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pass(time.Until(time.Date(2026, 10, 23, 12, 0, 0, 0, time.UTC)))
		berlin, err := time.LoadLocation("Europe/Berlin")
		if err != nil {
			t.Fatal(err)
		}
		daily, err := notice.ParseSchedule("30 2 * * *", berlin)
		if err != nil {
			t.Fatal(err)
		}
		w := &way{}
		r := run(t, newShelf(), nil, Channel{Route: notice.Route{Channel: "mail", Digest: daily}, Sender: w, Together: 200})
		for _, status := range []string{"upcoming", "due", "overdue"} { // on 23, 24 and 25 October
			r.mu.Lock()
			r.now = tasks(status)
			r.mu.Unlock()
			pass(24 * time.Hour)
		}
		r.stop()
		var at []string
		for i, m := range w.messages() {
			at = append(at, w.at[i].In(berlin).Format("2 Jan 15:04 MST"))
			if len(m.Notices) != 2 {
				t.Errorf("digest of %d notices, want 2", len(m.Notices))
			}
		}
		if want := []string{"24 Oct 02:30 CEST", "25 Oct 02:30 CEST", "26 Oct 02:30 CET"}; !slices.Equal(at, want) {
			t.Errorf("digests at %q, want %q", at, want)
		}
	})
}

func TestQuietHoursGatherForTheMorning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pass(time.Until(time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)))
		w := &way{}
		r := run(t, newShelf(), tasks("due"), Channel{
			Route:  notice.Route{Channel: "mail", Hours: notice.Hours{Zone: time.UTC, QuietFrom: 20 * 60, QuietTo: 6 * 60}},
			Sender: w, Together: 50,
		})
		pass(8 * time.Hour)
		if n := len(w.messages()); n != 0 {
			t.Errorf("%d messages in quiet hours", n)
		}
		pass(2 * time.Hour)
		r.stop()
		if got := w.messages(); len(got) != 1 || len(got[0].Notices) != 2 {
			t.Errorf("in the morning: %+v, want one message with both", got)
		}
	})
}
