package publish

import (
	"errors"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// A statement is published once; the same figures give the same bytes and no further
// version, other figures a version with a reason.
func TestPublish(t *testing.T) {
	p, s := little(t), fourWeeks()
	now := monday.AddDate(0, 0, 28).Add(12 * time.Hour)
	pr := p.Projects[0]
	if _, err := Freeze(t.Context(), s, p, pr, savings.FreezeInfo{Approver: "Kim", At: now, Software: "test"}); err != nil {
		t.Fatal(err)
	}
	if _, err := Freeze(t.Context(), s, p, pr, savings.FreezeInfo{Approver: "Kim", At: now, Software: "test"}); err == nil || !strings.Contains(err.Error(), "needs the reason") {
		t.Errorf("a second baseline without a reason: %v", err)
	}
	asked := Asked{Now: now, Period: savings.ToDate(p.Day(now, -1))}
	put := func(reason string) (plant.Published, error) {
		return Publish(t.Context(), s, p, pr, asked, Act{By: "Kim", Reason: reason, Software: "test"})
	}
	first, err := put("")
	if err != nil || first.Version != 1 || first.Period != asked.Period.String() {
		t.Fatalf("%s version %d, %v", first.Period, first.Version, err)
	}
	again, err := put("")
	if !errors.Is(err, ErrUnchanged) || again.Hash != first.Hash || len(s.published) != 1 {
		t.Errorf("the same again: version %d, %v", again.Version, err)
	}
	asked.Now = now.AddDate(0, 1, 0) // the clock is not in it
	if _, err := put(""); !errors.Is(err, ErrUnchanged) {
		t.Errorf("a month later: %v", err)
	}
	s.adjusted = []plant.Adjustment{{
		Number: 1, From: p.Day(now, -3), To: p.Day(now, -1), Energy: 2 * unit.KilowattHour, Event: "a further dryer", Evidence: "readings", Approver: "Kim",
	}}
	if _, err := put(" "); err == nil || !strings.Contains(err.Error(), "version 1 is published and stays") {
		t.Errorf("a correction without a reason: %v", err)
	}
	second, err := put("a dryer was forgotten")
	if err != nil || second.Version != 2 {
		t.Fatalf("version %d, %v", second.Version, err)
	}
	was, errWas := Read(first)
	is, errIs := Read(second)
	if errWas != nil || errIs != nil || is.SavedKWh-was.SavedKWh < 1.999 || is.SavedKWh-was.SavedKWh > 2.001 || len(is.Adjustments) != 1 {
		t.Errorf("%v and %v kWh, %v %v", was.SavedKWh, is.SavedKWh, errWas, errIs)
	}
	second.Document = first.Document
	if _, err := Read(second); !errors.Is(err, savings.ErrAltered) {
		t.Errorf("another document: %v", err)
	}
	asked = Asked{Now: now, Period: savings.ToDate(now)}
	if _, err := put(""); err == nil || !strings.Contains(err.Error(), "is not over") {
		t.Errorf("a period that is not over: %v", err)
	}
	s.frozen = nil
	asked.Now = now.AddDate(0, 0, 2)
	if _, err := put(""); err == nil || !strings.Contains(err.Error(), "no frozen baseline") {
		t.Errorf("without a baseline: %v", err)
	}
}
