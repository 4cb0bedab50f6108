package collect

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/plant"
)

// A value that is wrong at every poll, with other content each time: one refusal,
// all others counted, and the good values are taken.
func TestBadValueIsRefusedOnceAndHurtsNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeBus{asked: map[plant.MeterID]int{}, wrong: map[plant.MeterID]func(int) []Fault{"m": func(ask int) []Fault {
			return []Fault{{Trouble: BadValue, Value: "power", Reason: "expected a power of ten", Content: fmt.Sprintf("%#04x", ask), Text: "holds " + fmt.Sprint(ask)}}
		}}}
		got, refused, log, p := runAll(t, bus("m"), f, 4*time.Hour)
		if n := len(got["m/import"]); n != 1440 {
			t.Errorf("%d readings in 4 hours, want 1440", n)
		}
		if len(refused) != 1 || refused[0].Source != "m/power" || refused[0].Reason != "expected a power of ten" || string(refused[0].Payload) != "0x0001" {
			t.Errorf("refusals %+v, want one with place, reason and content", refused)
		}
		h := p.Health()[0]
		if h.Trouble != BadValue || h.Refused != 1440 || h.Failures != 0 || !h.Up || h.LastSuccess.IsZero() {
			t.Errorf("health %+v", h)
		}
		if n := strings.Count(log, "cannot be used"); n != 1 {
			t.Errorf("%d lines, want one:\n%s", n, log)
		}
	})
}

// A trouble that comes and goes is put on record once an hour, each of two values
// by itself.
func TestRefusalsOfAFlickeringTroubleAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeBus{asked: map[plant.MeterID]int{}, wrong: map[plant.MeterID]func(int) []Fault{"m": func(ask int) []Fault {
			if ask%2 == 0 {
				return nil
			}
			return []Fault{{Trouble: BadValue, Value: "a", Reason: "r"}, {Trouble: BadValue, Value: "b", Reason: "r"}}
		}}}
		_, refused, _, p := runAll(t, bus("m"), f, 4*time.Hour)
		n := map[string]int{}
		for _, r := range refused {
			n[r.Source]++
		}
		if n["m/a"] != 4 || n["m/b"] != 4 {
			t.Errorf("refusals per value %v in four hours, want 4 each", n)
		}
		if h := p.Health()[0]; h.Refused != 1440 {
			t.Errorf("%d values refused, want 1440: two at every other poll", h.Refused)
		}
	})
}

// A whole answer that is refused goes on record too, and silence does not.
func TestTroublesAreToldApart(t *testing.T) {
	for _, trouble := range Troubles()[1:] {
		synctest.Test(t, func(t *testing.T) {
			f := &fakeBus{asked: map[plant.MeterID]int{}, wrong: map[plant.MeterID]func(int) []Fault{"m": func(int) []Fault {
				return []Fault{{Trouble: trouble, Reason: "r", Content: "0x0001", Text: "text"}}
			}}}
			got, refused, log, p := runAll(t, bus("m"), f, 10*time.Minute)
			h := p.Health()[0]
			if h.Trouble != trouble || h.Up || h.Failures != h.Polls || len(got) != 0 || h.LastError != "text" {
				t.Errorf("%v: health %+v", trouble, h)
			}
			want := 1
			if trouble == NoAnswer {
				want = 0
			}
			if len(refused) != want || uint64(want)*h.Polls != h.Refused {
				t.Errorf("%v: refusals %+v and %d counted, want %d on record", trouble, refused, h.Refused, want)
			}
			if n := strings.Count(log, "level=WARN"); n != 1 || !strings.Contains(log, logged[trouble]) {
				t.Errorf("%v: log\n%s", trouble, log)
			}
		})
	}
}

func TestRefusalsRememberABoundedNumber(t *testing.T) {
	var r refusals
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	noted := 0
	for i := range 4 * refusedKinds {
		noted += len(r.take("m", []Fault{{Trouble: BadValue, Value: "a", Reason: fmt.Sprint(i)}}, now))
	}
	if noted != refusedKinds || len(r.noted) != refusedKinds {
		t.Errorf("%d on record and %d remembered, want %d", noted, len(r.noted), refusedKinds)
	}
	if n := len(r.take("m", []Fault{{Trouble: BadValue, Value: "a", Reason: "later"}}, now.Add(refusalPause))); n != 1 {
		t.Errorf("%d on record after an hour, want 1", n)
	}
}
