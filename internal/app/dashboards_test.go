package app_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"curetally/internal/work/publish"
)

// board is what the tests read of a dashboard.
type board struct {
	UID, Title string
	Templating struct {
		List []struct {
			Name  string
			Type  string
			Query json.RawMessage
		}
	}
	Panels []struct {
		Type, Title, Description string
		GridPos                  struct{ X, Y, W, H int }
		FieldConfig              struct {
			Defaults struct{ Unit string }
		}
		Targets []struct{ Expr string }
	}
}

// boards reads all dashboards, strictly: a key that is read here must be there.
func boards(t *testing.T) map[string]board {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(root(t), "dashboards", "*.json"))
	if err != nil || len(files) < 4 {
		t.Fatalf("dashboards: %v, %v; expected at least 4", files, err)
	}
	out := map[string]board{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var b board
		if err := json.Unmarshal(text, &b); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		out[filepath.Base(file)] = b
	}
	return out
}

// withoutVariables is a query as it is asked when every value of a variable is
// chosen.
func withoutVariables(query string) string {
	return regexp.MustCompile(`\$\w+`).ReplaceAllString(query, ".*")
}

// boardQueries are the queries of all panels, by dashboard and panel.
func boardQueries(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for name, b := range boards(t) {
		for _, p := range b.Panels {
			for i, target := range p.Targets {
				out[name+": "+p.Title+" "+string(rune('A'+i))] = withoutVariables(target.Expr)
			}
		}
	}
	return out
}

// rulesForTest gives a copy of the rules that is evaluated every second.
func rulesForTest(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root(t), "dashboards", "rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	quick := strings.Replace(string(text), "    interval: 1m\n", "    interval: 1s\n", 1)
	if quick == string(text) {
		t.Fatal("the records of rules.yaml have no interval of 1m to shorten")
	}
	file := filepath.Join(t.TempDir(), "rules.yaml")
	if err := os.WriteFile(file, []byte(quick), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// A reader understands each panel: it has a title, a description and a unit, lies on
// the grid of 24, and overlaps no other.
func TestDashboards_AreWhole(t *testing.T) {
	uids := map[string]bool{}
	for name, b := range boards(t) {
		if b.UID == "" || b.Title == "" || uids[b.UID] {
			t.Errorf("%s: uid %q and title %q, expected both, and a uid of its own", name, b.UID, b.Title)
		}
		uids[b.UID] = true
		taken := map[[2]int]string{}
		for _, p := range b.Panels {
			if p.Title == "" || p.Description == "" || len(p.Targets) == 0 || p.FieldConfig.Defaults.Unit == "" {
				t.Errorf("%s: panel %q lacks a title, a description, a unit or a query", name, p.Title)
			}
			g := p.GridPos
			if g.W <= 0 || g.H <= 0 || g.X+g.W > 24 {
				t.Errorf("%s: panel %q lies at %+v, outside the grid of 24", name, p.Title, g)
			}
			for x := g.X; x < g.X+g.W; x++ {
				for y := g.Y; y < g.Y+g.H; y++ {
					if other := taken[[2]int{x, y}]; other != "" {
						t.Fatalf("%s: panel %q covers %q", name, p.Title, other)
					}
					taken[[2]int{x, y}] = p.Title
				}
			}
		}
	}
}

// Every metric that a dashboard or a rule asks for is one that the program has, so
// that a renamed metric breaks this test and not a wall in a plant.
func TestDashboards_AskForMetricsThatExist(t *testing.T) {
	known := publish.MetricNames()
	text, err := os.ReadFile(filepath.Join(root(t), "dashboards", "rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	records := regexp.MustCompile(`(?m)record: (\S+)`).FindAllStringSubmatch(string(text), -1)
	for _, r := range records {
		known = append(known, r[1])
	}
	asked := boardQueries(t)
	asked["rules.yaml"] = string(text)
	for name, b := range boards(t) {
		for _, v := range b.Templating.List {
			asked[name+": variable "+v.Name] = string(v.Query)
		}
	}
	found := 0
	for place, query := range asked {
		for _, metric := range regexp.MustCompile(`\bcuretally[_:][a-z0-9_:]+`).FindAllString(query, -1) {
			found++
			if !slices.Contains(known, metric) {
				t.Errorf("%s asks for %s, which does not exist", place, metric)
			}
		}
	}
	if found < 50 {
		t.Errorf("only %d metrics are asked for", found)
	}
}

// promtool holds the rules and what each alert does; each alert must be shown to
// fire and to be silent.
func TestRules(t *testing.T) {
	dir := filepath.Join(root(t), "dashboards")
	for _, args := range [][]string{{"check", "rules", "--lint-fatal", "rules.yaml"}, {"test", "rules", "rules_test.yaml"}} {
		run := exec.CommandContext(t.Context(), tool(t, "promtool", "prometheus"), args...)
		run.Dir = dir
		if out, err := run.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	read := func(name string) string {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	rules, tests := read("rules.yaml"), read("rules_test.yaml")
	alerts := regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(rules, -1)
	if len(alerts) < 15 {
		t.Errorf("only %d alerts", len(alerts))
	}
	for _, a := range alerts {
		if !strings.Contains(tests, "alertname: "+a[1]+", exp_alerts: []}") || !strings.Contains(tests, "alertname: "+a[1]+"\n        exp_alerts:\n          - exp_labels") {
			t.Errorf("%s is not tested both to be silent and to fire", a[1])
		}
	}
}
