package feed

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"testing"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/notice"
)

const token = "0123456789abcdef01234567"

// reader is an independent parser: Debian's icalendar for Python. It prints the
// events as JSON.
const reader = `
import json, sys
from icalendar import Calendar
cal = Calendar.from_ical(sys.stdin.buffer.read())
print(json.dumps([{"uid": str(e["UID"]), "seq": int(e["SEQUENCE"]), "start": e["DTSTART"].dt.isoformat(), "end": e["DTEND"].dt.isoformat(),
    "stamp": e["DTSTAMP"].dt.isoformat(), "summary": str(e["SUMMARY"])} for e in cal.walk("VEVENT")]))
`

type event struct {
	UID, Start, End, Stamp, Summary string
	Seq                             int
}

func read(t *testing.T, h http.Handler) []event {
	t.Helper()
	w := ask(h, token)
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "text/calendar; charset=utf-8" {
		t.Fatalf("answer %d %v", w.Code, w.Header())
	}
	page := w.Body.Bytes()
	for line := range bytes.Lines(page) {
		if !bytes.HasSuffix(line, []byte("\r\n")) || len(line) > 77 { // RFC 5545, 3.1: 75 octets and CRLF
			t.Errorf("line %q", line)
		}
	}
	cmd := exec.Command("/usr/bin/python3", "-c", reader) // Debian's packages belong to Debian's interpreter
	cmd.Stdin = bytes.NewReader(page)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: apt-get install python3-icalendar\n%s", err, page)
	}
	var all []event
	if err := json.Unmarshal(out, &all); err != nil {
		t.Fatal(err)
	}
	return all
}

func ask(h http.Handler, token string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/calendar.ics?token="+token, nil))
	return w
}

func TestEventMovesWithItsTask(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	records := []notice.Record{
		{Subject: "finding x", Form: notice.Finding, Status: "begun 1"},
		{Subject: "task gone", Form: notice.Task, Due: start, Gone: true},
		{Subject: "task no date", Form: notice.Task},
	}
	task := notice.Condition{Form: notice.Task, Subject: "task lens-clean/heron-1 since 0", Status: "upcoming", Title: "Clean the lens; twice, at heron-1\nnow – with a title that is longer than a line of seventy-five octets may be"}
	look := func(at, due time.Time) {
		task.Due = due
		step := notice.Next(records, []notice.Condition{task}, at, notice.Limits{})
		for _, r := range step.Records {
			if r.Subject == task.Subject {
				records = append(records[:3:3], r)
			}
		}
	}
	h, err := New(Options{Site: "Alder Lane Labels", Zone: berlin, Tokens: []string{token}, Records: func() []notice.Record { return records }})
	if err != nil {
		t.Fatal(err)
	}
	look(start, time.Date(2026, 3, 29, 0, 0, 0, 0, berlin)) // a day of 23 hours
	first := read(t, h)
	if len(first) != 1 || first[0].Start != "2026-03-29" || first[0].End != "2026-03-30" || first[0].Seq != 0 || first[0].Stamp != "2026-03-02T08:00:00+00:00" {
		t.Fatalf("events %+v", first)
	}
	if want := "Clean the lens; twice, at heron-1 now – with a title that is longer than a line of seventy-five octets may be"; first[0].Summary != want {
		t.Errorf("summary %q", first[0].Summary)
	}
	look(start.Add(time.Hour), time.Date(2026, 3, 25, 0, 0, 0, 0, berlin))
	moved := read(t, h)
	if len(moved) != 1 || moved[0].UID != first[0].UID || moved[0].Seq != 1 || moved[0].Start != "2026-03-25" || moved[0].Stamp != "2026-03-02T09:00:00+00:00" {
		t.Errorf("moved %+v", moved)
	}
}

func TestRevokedTokenOpensNothing(t *testing.T) {
	o := Options{Site: "Alder Lane Labels", Zone: time.UTC, Tokens: []string{token, "another-token-0123456789"}, Records: func() []notice.Record { return nil }}
	before, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	o.Tokens = o.Tokens[1:]
	after, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		h     http.Handler
		token string
		want  int
	}{{before, token, 200}, {after, token, 404}, {after, "another-token-0123456789", 200}, {after, "", 404}, {after, "another-token", 404}} {
		if got := ask(c.h, c.token); got.Code != c.want {
			t.Errorf("token %q: %d, want %d", c.token, got.Code, c.want)
		}
	}
	for p, want := range map[access.Person]int{{Name: "Ann", Role: access.Reader}: 200, access.Anyone(): 404, {Name: "Ann"}: 404} {
		w := httptest.NewRecorder()
		after.ServeHTTP(w, httptest.NewRequestWithContext(access.With(t.Context(), p), http.MethodGet, "/calendar.ics", nil))
		if w.Code != want {
			t.Errorf("let in as %+v: %d, want %d", p, w.Code, want)
		}
	}
	o.Tokens = []string{""}
	if _, err := New(o); err == nil {
		t.Error("an empty token was taken")
	}
}
