package webhook

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/link/notify"
)

const secret = "0123456789abcdef0123456789abcdef"

func message() notice.Message {
	n := notice.Notice{ID: 7, Kind: notice.TaskDue, Topic: notice.Upkeep, Subject: "task a", Transition: "due", Press: "heron", At: time.Unix(1e9, 0).UTC(), Title: "Clean the lens", Text: "61 of 60 h."}
	return notice.Message{Key: notice.Key("Alder Lane Labels", "hook", []notice.Notice{n}), Site: "Alder Lane Labels", Zone: time.UTC, Notices: []notice.Notice{n}}
}

// The receiver here checks as a receiver should: signature first, then the body.
func TestSignedBodyArrives(t *testing.T) {
	var got map[string]any
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		data, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		at, sum, ok := strings.Cut(strings.TrimPrefix(r.Header.Get("Curetally-Signature"), "t="), ",v1=")
		mac := hmac.New(sha256.New, []byte(secret))
		_, _ = io.WriteString(mac, at+"."+string(data))
		if !ok || at != "1700000000" || sum != hex.EncodeToString(mac.Sum(nil)) {
			t.Errorf("signature %q", r.Header.Get("Curetally-Signature"))
		}
		if err := json.Unmarshal(data, &got); err != nil {
			t.Error(err)
		}
		if key := r.Header.Get("Idempotency-Key"); key != got["key"] || len(key) != 32 {
			t.Errorf("key %q in the header, %q in the body", key, got["key"])
		}
	}))
	defer server.Close()
	s, err := New(Options{URL: server.URL, Secret: secret, Now: func() time.Time { return time.Unix(1_700_000_000, 0) }})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(t.Context(), message()); err != nil {
		t.Fatal(err)
	}
	follows(t, got)
}

// follows checks the parts of a body that the schema requires, and that it knows
// all others.
func follows(t *testing.T, got map[string]any) {
	t.Helper()
	type object struct {
		Required   []string
		Properties map[string]json.RawMessage
	}
	var top object
	if err := json.Unmarshal(Schema(), &top); err != nil {
		t.Fatal(err)
	}
	var list struct{ Items object }
	if err := json.Unmarshal(top.Properties["notices"], &list); err != nil {
		t.Fatal(err)
	}
	check := func(o object, v map[string]any) {
		for _, name := range o.Required {
			if _, ok := v[name]; !ok {
				t.Errorf("%s is missing", name)
			}
		}
		for name := range v {
			if _, ok := o.Properties[name]; !ok {
				t.Errorf("%s is not in the schema", name)
			}
		}
	}
	check(top, got)
	notices, ok := got["notices"].([]any)
	if !ok || len(notices) != 1 {
		t.Fatalf("notices are %v", got["notices"])
	}
	first, _ := notices[0].(map[string]any)
	check(list.Items, first)
}

func TestAnswers(t *testing.T) {
	for code, want := range map[int]struct{ fails, permanent bool }{
		200: {}, 204: {}, 500: {true, false}, 503: {true, false}, 429: {true, false}, 401: {true, false},
		302: {true, false}, 400: {true, true}, 410: {true, true}, 422: {true, true},
	} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Location", "/elsewhere")
			w.WriteHeader(code)
		}))
		s, err := New(Options{URL: server.URL + "/token-in-path"})
		if err != nil {
			t.Fatal(err)
		}
		err = s.Send(t.Context(), message())
		_, permanent := errors.AsType[*notify.Refused](err)
		if (err != nil) != want.fails || permanent != want.permanent {
			t.Errorf("%d: %v, permanent %v", code, err, permanent)
		}
		if err != nil && strings.Contains(err.Error(), "token-in-path") {
			t.Errorf("the address shows: %v", err)
		}
		server.Close()
	}
}

func TestHangingReceiverIsLeft(t *testing.T) {
	release := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer server.Close()
	defer close(release)
	s, err := New(Options{URL: server.URL + "/secret-path"})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := s.Send(ctx, message()); !errors.Is(err, context.DeadlineExceeded) || strings.Contains(err.Error(), "secret-path") {
		t.Errorf("error %v", err)
	}
}

func TestNew_BadAddress(t *testing.T) {
	for _, u := range []string{"", "host/path", "ftp://host", "https://"} {
		if _, err := New(Options{URL: u}); err == nil {
			t.Errorf("%q was taken", u)
		}
	}
}
