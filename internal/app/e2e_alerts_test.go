package app_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
)

// One of the ready alerts goes its whole way: a real Prometheus that finds no daemon
// evaluates the rules and hands the alert to a real alert manager, which tells
// somebody, with the words and the remedy of the rule.
func TestAlerts_ReachSomebodyThroughAnAlertManager(t *testing.T) {
	t.Parallel()
	type alert struct {
		Status              string
		Labels, Annotations map[string]string
	}
	told := make(chan alert, 100)
	somebody := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var body struct{ Alerts []alert }
		if err := json.NewDecoder(r.Body).Decode(&body); err != nil {
			t.Errorf("the alert manager sends what is no JSON: %v", err)
		}
		for _, a := range body.Alerts {
			select {
			case told <- a:
			default: // it says it again and again; the first ones are enough
			}
		}
	}))
	defer somebody.Close()

	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	managed, watched := freeAddress(t), freeAddress(t)
	manager := launch(t, tool(t, "prometheus-alertmanager", "prometheus-alertmanager"),
		"--config.file="+write("alertmanager.yml", `
route: {receiver: somebody, group_wait: 0s, group_interval: 1s}
receivers:
- name: somebody
  webhook_configs: [{url: "`+somebody.URL+`"}]
`), "--storage.path="+filepath.Join(dir, "manager"), "--web.listen-address="+managed, "--cluster.listen-address=")
	manager.until("the alert manager", func() bool {
		status, _ := fetch(t, "http://"+managed+"/-/ready")
		return status == http.StatusOK
	})
	rules, err := os.ReadFile(rulesForTest(t))
	if err != nil {
		t.Fatal(err)
	}
	// An alert that would wait for minutes is held up at once.
	quick := regexp.MustCompile(`(?m)^(\s+)for: \w+$`).ReplaceAllString(string(rules), "${1}for: 0s")
	prom := launch(t, tool(t, "prometheus", "prometheus"), "--log.level=warn",
		"--storage.tsdb.path="+filepath.Join(dir, "prometheus"), "--web.listen-address="+watched,
		"--config.file="+write("prometheus.yml", `
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: ["`+write("rules.yaml", quick)+`"]
alerting: {alertmanagers: [{static_configs: [{targets: ["`+managed+`"]}]}]}
scrape_configs: [{job_name: curetally, static_configs: [{targets: ["`+freeAddress(t)+`"]}]}]
`))
	var got alert
	prom.until("somebody is told", func() bool {
		select {
		case got = <-told:
			return got.Labels["alertname"] == "CuretallyDown"
		default:
			return false
		}
	})
	if got.Status != "firing" || got.Labels["severity"] != "critical" || !strings.Contains(got.Annotations["summary"], "not scraped") || got.Annotations["remedy"] == "" {
		t.Errorf("somebody is told %+v", got)
	}
	prom.stop(syscall.SIGTERM)
	manager.stop(syscall.SIGTERM)
}
