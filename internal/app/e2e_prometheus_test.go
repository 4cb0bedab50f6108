package app_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"curetally/internal/app"
	"curetally/internal/sim"
)

// answersPrometheus lets a real Prometheus scrape a running demo and asks it for
// every metric, for those of the overview with what the answer must be.
func answersPrometheus(t *testing.T, demo *process, s app.Summary) {
	t.Helper()
	base := strings.TrimSuffix(s.Addresses.Pages, "/")
	demo.until("live values of all meters", func() bool {
		m := scrape(t, base)
		for _, id := range sim.Meters() {
			if m[`curetally_meter_up{meter="`+string(id)+`"}`] != 1 {
				return false
			}
		}
		return m["curetally_broker_connected"] == 1
	})
	promtool(t, s.Addresses.Metrics)
	prom := startPrometheus(t, strings.TrimPrefix(base, "http://"))
	for _, q := range questions(s) {
		prom.asks(t, q)
	}
	// Nothing is exposed that Prometheus does not keep.
	names := map[string]bool{}
	for series := range scrape(t, base) {
		if name, _, _ := strings.Cut(series, "{"); strings.HasPrefix(name, "curetally_") {
			names[name] = true
		}
	}
	if len(names) < 25 {
		t.Errorf("only %d metrics are exposed", len(names))
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		prom.asks(t, question{name, 0, math.Inf(-1), math.Inf(1)})
	}
	// Every panel of every dashboard has an answer.
	for place, query := range boardQueries(t) {
		prom.answers(t, place, query)
	}
	prom.stop(syscall.SIGTERM)
}

// promtool holds the exposition against Prometheus's own rules.
func promtool(t *testing.T, address string) {
	t.Helper()
	status, body := fetch(t, address)
	if status != http.StatusOK {
		t.Fatalf("%s answers %d", address, status)
	}
	check := exec.Command(tool(t, "promtool", "prometheus"), "check", "metrics")
	check.Stdin = bytes.NewReader(body)
	if out, err := check.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// question is a query with the number of series that must answer (0 for any) and
// the range of all their values.
type question struct {
	query    string
	series   int
	min, max float64
}

// questions asks for every figure of the overview page.
func questions(s app.Summary) []question {
	near := func(v float64) (float64, float64) { return v * 0.999, v * 1.001 }
	more := func(query string, series int, min float64) question {
		return question{query, series, min, math.Inf(1)}
	}
	lit := 0.0
	for _, h := range s.LitHours {
		lit += h * 3600
	}
	all := len(sim.Meters())
	out := []question{
		{`sum by (station) (curetally_station_state)`, sim.Stations, 1, 1},
		{`curetally_station_state`, 0, 0, 1},
		{`curetally_meter_power_watts`, all, 0, 90_000},
		{`curetally_meter_up`, all, 1, 1},
		{`time() - curetally_meter_last_success_timestamp_seconds`, all, -1, 60},
		more(`curetally_meter_polls_total`, all, 1),
		more(`curetally_station_lit_seconds_total`, sim.Stations, 1),
		more(`curetally_station_starts_total`, sim.Stations, 1),
		more(`sum by (station) (curetally_station_energy_joules_total)`, sim.Stations, 1),
		{`curetally_lamp_life_used_ratio`, sim.Stations, 0, 1},
		{`sum(curetally_tasks{status!="ok"})`, 1, float64(len(s.Tasks)), float64(len(s.Tasks))},
		{`curetally_savings_confidence_ratio`, 1, s.Savings.Confidence, s.Savings.Confidence},
		{`curetally_broker_connected`, 1, 1, 1},
		{`curetally_store_up`, 1, 1, 1},
	}
	for _, v := range []struct {
		query string
		value float64
	}{
		{`sum(curetally_register_energy_joules_total{meter!="` + string(sim.MeterSupply) + `"})`, s.EnergyKWh * 3.6e6},
		{`sum(curetally_station_lit_seconds_total)`, lit},
		{`curetally_savings_avoided_energy_joules`, s.Savings.SavedKWh * 3.6e6},
		{`curetally_savings_avoided_energy_half_width_joules`, s.Savings.HalfWidthKWh * 3.6e6},
		{`curetally_savings_avoided_energy_model_half_width_joules`, s.Savings.ModelHalfWidthKWh * 3.6e6},
		{`curetally_savings_avoided_energy_meter_half_width_joules`, s.Savings.MeterHalfWidthKWh * 3.6e6},
		{`curetally_savings_avoided_ratio`, s.Savings.SavedFraction},
		{`curetally_savings_avoided_cost`, s.Savings.Cost.Float()},
		{`curetally_savings_avoided_carbon_grams`, s.Savings.CarbonKg * 1000},
		{`curetally_savings_reporting_seconds`, float64(s.Savings.Days) * 86400},
	} {
		min, max := near(v.value)
		out = append(out, question{v.query, 1, min, max})
	}
	return out
}

// prometheus is a server that scrapes one address every second.
type prometheus struct {
	*process
	api string
}

func startPrometheus(t *testing.T, target string) prometheus {
	t.Helper()
	dir := t.TempDir()
	conf := filepath.Join(dir, "prometheus.yml")
	text := "global: {scrape_interval: 1s}\nrule_files: ['" + rulesForTest(t) + "']\nscrape_configs:\n- job_name: curetally\n  static_configs: [{targets: ['" + target + "']}]\n"
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	address := freeAddress(t)
	p := prometheus{launch(t, tool(t, "prometheus", "prometheus"), "--config.file="+conf, "--log.level=warn",
		"--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address), "http://" + address}
	p.until("the first scrape", func() bool {
		v, ok := p.query(t, `up{job="curetally"}`)
		return ok && len(v) == 1 && v[0] == 1
	})
	return p
}

// query gives the values of an instant query.
func (p prometheus) query(t *testing.T, q string) (values []float64, ok bool) {
	t.Helper()
	status, body := fetch(t, p.api+"/api/v1/query?query="+url.QueryEscape(q))
	var answer struct {
		Data struct {
			Result []struct{ Value [2]any }
		}
	}
	if status != http.StatusOK || json.Unmarshal(body, &answer) != nil {
		return nil, false
	}
	for _, r := range answer.Data.Result {
		text, _ := r.Value[1].(string)
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatalf("%s answers %s", q, body)
		}
		values = append(values, v)
	}
	return values, true
}

// answers expects at least one series for the query of a panel.
func (p prometheus) answers(t *testing.T, place, q string) {
	t.Helper()
	p.until("an answer for "+place+", "+q, func() bool {
		values, ok := p.query(t, q)
		return ok && len(values) > 0
	})
}

// asks expects a sane answer of this scrape or of one of the next.
func (p prometheus) asks(t *testing.T, q question) {
	t.Helper()
	p.until(fmt.Sprintf("a sane answer to %+v", q), func() bool {
		values, ok := p.query(t, q.query)
		sane := ok && len(values) > 0 && (q.series == 0 || len(values) == q.series)
		for _, v := range values {
			sane = sane && v >= q.min && v <= q.max
		}
		return sane
	})
}
