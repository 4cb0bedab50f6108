package web

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// fixed is a Source that always answers the same.
type fixed struct {
	overview Overview
	err      error
}

func (f fixed) Overview(context.Context) (Overview, error) { return f.overview, f.err }

func berlin(t *testing.T) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func money(t *testing.T, amount string) unit.Money {
	t.Helper()
	m, err := unit.ParseMoney(amount, "EUR")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// alderLane is an afternoon at Alder Lane Labels, press Heron, ten weeks after
// the change-over, with every state and every kind of trouble on the page.
func alderLane(t *testing.T) Overview {
	z := berlin(t)
	now := time.Date(2026, 7, 14, 14, 5, 0, 0, z)
	ago := func(d time.Duration) time.Time { return now.Add(-d) }
	lamp := func(serial string, hours float64) *LampView {
		return &LampView{Serial: serial, Kind: "LED head 45 cm", EquivalentHours: hours, RatedHours: 20000, UsedFraction: hours / 20000, FittedSince: time.Date(2026, 5, 5, 9, 0, 0, 0, z)}
	}
	led := func(n, title string, s plant.State, since time.Duration) StationView {
		return StationView{
			Name: "heron-" + n, Title: title, Technology: plant.TechnologyLED, State: s, Since: ago(since), PowerKnown: true, PowerWatts: 60,
			LitHours: 3117, Starts: 1244, EnergyKWh: 21873.4, Lamp: lamp("AL-05"+n, 611+7*float64(len(title))),
		}
	}
	s := []StationView{
		led("1", "1 white", plant.StateCuring, 35*time.Minute), led("2", "2 cyan", plant.StateCuring, 35*time.Minute),
		led("3", "3 magenta", plant.StateCuring, 34*time.Minute), led("4", "4 yellow", plant.StateStandby, 6*time.Hour),
		led("5", "5 black", plant.StateFault, 12*time.Minute), led("6", "6 spot", plant.StateOff, 70*time.Hour),
		led("7", "7 varnish", plant.StateStarting, 30*time.Second), led("8", "8 laminate", plant.StateUnknown, 3*time.Hour),
	}
	for i := range 3 {
		s[i].PowerWatts = 2180 + 40*float64(i)
	}
	s[5].Lamp = nil
	s[6].Technology, s[6].PowerWatts = plant.TechnologyArc, 3390
	s[6].Lamp = &LampView{Serial: "HG-2231", Kind: "arc lamp 45 cm", EquivalentHours: 1624, RatedHours: 1500, UsedFraction: 1624. / 1500, FittedSince: time.Date(2026, 3, 2, 7, 0, 0, 0, z), Outlook: &LampOutlook{Remaining: 412, Fails: 0.283, Days: 30}}
	s[4].Lamp.Outlook = &LampOutlook{Remaining: 9120, Fails: 0.004, Days: 30, Bounds: true}
	s[3].Lamp.Outlook = &LampOutlook{Remaining: 9120, Fails: math.NaN(), Days: 30}
	s[7].PowerKnown = false
	return Overview{
		SiteName: "Alder Lane Labels", Now: now, Zone: z, DataUntil: ago(4 * time.Minute),
		Findings: []Finding{
			{Kind: "Silent station", Subject: "8 laminate", Text: "No status message has come for 3 h.", Remedy: "Check that the station's gateway has power and reaches the broker.", Since: ago(3 * time.Hour)},
			{Kind: "Refused payloads", Subject: "alder/heron/5/status", Text: "4 messages carried the state word “purge”, which the configuration does not know.", Remedy: "Add the word to state_words of this topic."},
		},
		Presses: []PressView{{Name: "heron", Title: "Heron", Stations: s}},
		Tasks:   alderTasks(z),
		Savings: []SavingsView{
			alderSavings(t, z),
			{Name: "otter-led", Title: "Otter: second press", Missing: "no baseline is frozen. Run: curetally baseline freeze otter-led --approver NAME"},
		},
		Meters: []MeterView{
			{Name: "heron-1-meter", Title: "Heron 1 supply", PowerKnown: true, PowerWatts: 2180, EnergyKWh: 21873.4, Heard: ago(20 * time.Second)},
			{Name: "heron-exhaust", Title: "Exhaust fan", PowerKnown: true, PowerWatts: 310, EnergyKWh: 6120.9, Estimated: true, Heard: ago(25 * time.Second), Trouble: "bad value"},
			{Name: "heron-chiller", Title: "Chiller and pumps", EnergyKWh: 3319, Heard: ago(50 * time.Hour), Silent: true, Trouble: "no answer"},
		},
	}
}

func alderTasks(z *time.Location) []TaskView {
	return []TaskView{
		{
			Title: "Change the lamp", Subject: "Heron, 7 varnish", Status: "overdue", Due: time.Date(2026, 7, 9, 0, 0, 0, 0, z), UsedFraction: 1.0827, Minutes: 30,
			Reason: "1 624 of 1 500 equivalent hours are used.", Parts: []string{"arc lamp 45 cm", "clean gloves"},
			Cautions: []Caution{
				{"C1", "Isolate and lock the supply, tag it with your name, try to start it. Buttons and door switches are not isolation."},
				{"C4", "Hot: lamp and reflector up to 900 °C, housing may exceed 65 °C. Fan run-on, then cool 15-30 min; check with a thermometer, not a hand."},
				{"C12", "Mercury: never bin or crush. Box, label, date, recycle. If broken: leave, air the room, no vacuum cleaner, seal the pieces, report."},
			},
		},
		{
			Title: "Clean the window", Subject: "Heron, 2 cyan", Status: "due", Due: time.Date(2026, 7, 15, 0, 0, 0, 0, z), UsedFraction: 0.97, Minutes: 5,
			Reason: "58 of 60 lit hours since it was last done.", Parts: []string{"lint-free wipes"},
			Cautions: []Caution{{"C6", "Isopropyl alcohol vapour can ignite from 12 °C. Lamp off and cool, small amount on the wipe, no spray, no flame, air moving, wipes in the closed bin."}},
		},
		{
			Title: "Change the coolant", Subject: "Heron", Status: "upcoming", Due: time.Date(2026, 11, 2, 0, 0, 0, 0, z), Guess: true, Minutes: 90,
			Reason: "Every 180 days.",
		},
	}
}

func alderSavings(t *testing.T, z *time.Location) SavingsView {
	month := func(y int, m time.Month, period string, days int, expected, actual float64) MonthView {
		return MonthView{Month: time.Date(y, m, 1, 0, 0, 0, 0, z), Period: period, Days: days, Expected: expected, Actual: actual}
	}
	return SavingsView{
		Name: "heron-led", Title: "Heron: arc to LED", From: time.Date(2026, 5, 6, 0, 0, 0, 0, z), To: time.Date(2026, 7, 14, 0, 0, 0, 0, z),
		Expected: 34310.2, Actual: 9778.4, Saved: 24531.8, Fraction: 0.715, HalfWidth: 889.6, Confidence: 0.9, Shown: true,
		ModelHalfWidth: 801.2, MeterHalfWidth: 386.6, Uncertainty: "Model ± 801 kWh, meters ± 387 kWh, combined ± 890 kWh.",
		Days: 69, ExcludedDays: 1, OutsideRange: 2, Cost: money(t, "4121.34"), CarbonKg: 11309, CarbonSource: "0.461 kg/kWh, from the plant's configuration",
		BaselineVersion: 1, FrozenAt: time.Date(2026, 5, 4, 8, 30, 0, 0, z), Approver: "R. Aldous",
		Months: []MonthView{
			month(2026, time.April, "baseline", 30, 15388, 15401.2), month(2026, time.May, "reporting", 26, 12904, 3688.1),
			month(2026, time.June, "reporting", 30, 15122, 4302.7), month(2026, time.July, "reporting", 13, 6284.2, 1787.6),
		},
	}
}

// options are those of a server over a source with everything else well.
func options(src Source) Options {
	return Options{
		Source: src, API: http.NotFoundHandler(),
		Pages: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			who, _ := access.Of(r.Context())
			_, _ = fmt.Fprintf(w, "%s %s as %s", r.Method, r.URL.Path, who.Role)
		}),
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			_, _ = w.Write([]byte("curetally_up 1\n"))
		}),
		Ready: func(context.Context) error { return nil },
		Log:   slog.New(slog.NewTextHandler(new(strings.Builder), nil)),
	}
}

// site builds a server over a source with everything else well.
func site(t *testing.T, src Source) *Server {
	t.Helper()
	s, err := New(options(src))
	if err != nil {
		t.Fatal(err)
	}
	return s
}
