package retained_test

import (
	"context"
	"encoding/json"
	"log/slog"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"curetally/internal/link/notify/retained"
	"curetally/internal/sim/mosquitto"
)

const prefix = "curetally/alder-lane"

// shows waits until the broker holds exactly these topics and payloads.
func shows(t *testing.T, b *mosquitto.Broker, want map[string]string) {
	t.Helper()
	mosquitto.Eventually(t, "the broker shows "+strings.Join(keys(want), ", "), func() bool { return cmp.Equal(b.Retained(prefix), want) })
}

func keys(m map[string]string) (out []string) {
	for k, v := range m {
		out = append(out, k+"="+v)
	}
	return out
}

// run runs a board at a broker; the second result ends it in good order.
func run(t *testing.T, b *mosquitto.Broker) (board *retained.Board, end func()) {
	t.Helper()
	server, err := url.Parse(b.URL())
	if err != nil {
		t.Fatal(err)
	}
	board = retained.New(retained.Options{
		Server: server, ClientID: "curetally-shows", KeepAlive: 30 * time.Second, Prefix: prefix, Log: slog.New(slog.DiscardHandler),
	})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- board.Run(ctx) }()
	var done bool
	end = func() {
		if done {
			return
		}
		done = true
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	t.Cleanup(end)
	return board, end
}

// What is shown is what is wanted: also for who subscribes later, after a change,
// after the broker was started again and has forgotten, and after the end.
func TestBoard_ShowsWhatIsWanted(t *testing.T) {
	b := mosquitto.New(t).Start()
	board, end := run(t, b)
	shows(t, b, map[string]string{prefix + "/online": "true"})
	show := func(docs map[string]any) {
		t.Helper()
		if err := board.Show(docs); err != nil {
			t.Fatal(err)
		}
	}
	show(map[string]any{"tasks": []int{1}, "lamps/heron-1": "A1"})
	shows(t, b, map[string]string{prefix + "/online": "true", prefix + "/tasks": "[1]", prefix + "/lamps/heron-1": `"A1"`})
	show(map[string]any{"tasks": []int{1, 2}})
	shows(t, b, map[string]string{prefix + "/online": "true", prefix + "/tasks": "[1,2]"})
	b.Stop()
	show(map[string]any{"tasks": []int{3}}) // while the broker is away
	b.Start()
	shows(t, b, map[string]string{prefix + "/online": "true", prefix + "/tasks": "[3]"})
	b.Stop()
	b.Forget()
	b.Start()
	shows(t, b, map[string]string{prefix + "/online": "true", prefix + "/tasks": "[3]"})
	end()
	shows(t, b, map[string]string{prefix + "/online": "false", prefix + "/tasks": "[3]"})
}

// Each document has what the schema requires and nothing that it does not know.
func TestSchema_HasTheDocuments(t *testing.T) {
	type object struct {
		Required   []string
		Properties map[string]json.RawMessage
		Items      json.RawMessage
	}
	var s struct {
		Defs map[string]object `json:"$defs"`
	}
	if err := json.Unmarshal(retained.Schema(), &s); err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	statement := &retained.Statement{From: at, To: at}
	var check func(name string, o object, v any)
	check = func(name string, o object, v any) {
		doc, ok := v.(map[string]any)
		if !ok {
			t.Fatalf("%s is %T", name, v)
		}
		for _, key := range o.Required {
			if _, ok := doc[key]; !ok {
				t.Errorf("%s.%s is missing", name, key)
			}
		}
		for key, value := range doc {
			raw, ok := o.Properties[key]
			if !ok {
				t.Errorf("%s.%s is not in the schema", name, key)
				continue
			}
			var inner object
			if err := json.Unmarshal(raw, &inner); err != nil {
				t.Fatal(err)
			}
			if list, ok := value.([]any); ok {
				var item object
				if err := json.Unmarshal(inner.Items, &item); err != nil {
					t.Fatal(err)
				}
				for _, one := range list {
					check(name+"."+key, item, one)
				}
			} else if len(inner.Properties) > 0 {
				check(name+"."+key, inner, value)
			}
		}
	}
	for name, doc := range map[string]any{
		"savings": retained.Savings{Missing: "m", Statement: statement, Published: &retained.Published{Period: "2026-03", Version: 1, At: at, Hash: "00"}},
		"tasks":   retained.Tasks{Tasks: []retained.Task{{Task: "a/b", Due: "2026-03-02", DueP10: "2026-03-01", DueP50: "2026-03-02", DueP90: "2026-03-04"}}},
		"lamp":    retained.Lamp{FittedSince: at},
	} {
		text, err := json.Marshal(doc)
		if err != nil {
			t.Fatal(err)
		}
		var v any
		if err := json.Unmarshal(text, &v); err != nil {
			t.Fatal(err)
		}
		check(name, s.Defs[name], v)
	}
}

func TestLevel(t *testing.T) {
	if got := retained.Level("heron/1+2#"); got != "heron_1_2_" {
		t.Error(got)
	}
}
