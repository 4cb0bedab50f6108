package calibration

import (
	"fmt"
	"time"

	"curetally/internal/core/forecast"
	"curetally/internal/core/plant"
	"curetally/internal/core/presscalendar"
	"curetally/internal/core/stats"
)

// leastDates is how many dates say something of a share: with fewer, one more or
// less moves it by more than three points.
const leastDates = 30

// History is what one station of a plant was used.
type History struct {
	Station plant.StationID
	Press   plant.PressID
	// First is the local midnight of the first day; LitHours has that day and those
	// that follow, without a gap.
	First    time.Time
	LitHours []float64
	// Limits are the lit hours after which tasks of the station fall due.
	Limits []float64
}

// Own is how due dates would have done on a plant's own history.
type Own struct {
	LeadDays  int       `json:"lead_days"`
	Stations  int       `json:"stations"`
	From      time.Time `json:"from,omitzero"` // first day of any
	To        time.Time `json:"to,omitzero"`   // end of the last, exclusive
	Forecasts int       `json:"forecasts"`
	// Enough says that there are enough dates for the shares to mean something;
	// TooLittle says in words what is missing otherwise.
	Enough    bool   `json:"enough"`
	TooLittle string `json:"too_little,omitempty"`
	// Coverage, Early, Late and the errors are as in Result; 0 without a date.
	Coverage float64     `json:"coverage"`
	Early    float64     `json:"early"`
	Late     float64     `json:"late"`
	Errors   []DateError `json:"median_errors"`
}

// DateError is the median distance from the true day to the date of one way to plan.
type DateError struct {
	Name     string  `json:"name"`
	WorkDays float64 `json:"workdays"`
}

// Replay walks back over the histories of a plant: each task falls due again and
// again after its hours, and the date that would have stood lead days before is held
// against the day on which it truly came. The same histories give the same result.
func Replay(p *plant.Plant, histories []History, lead int) Own {
	o := Own{LeadDays: lead, Errors: []DateError{}}
	var t tally
	longest := 0
	for _, h := range histories {
		if len(h.LitHours) == 0 {
			continue
		}
		w := trackOf(p, h)
		o.Stations++
		if o.From.IsZero() || h.First.Before(o.From) {
			o.From = h.First
		}
		o.To = plant.Later(o.To, w.days[len(w.days)-1].AddDate(0, 0, 1))
		longest = max(longest, len(h.LitHours))
		for i, limit := range h.Limits {
			w.try(limit, lead, forecast.Seed("own", string(h.Station), fmt.Sprint(i)), &t)
		}
	}
	o.Forecasts = t.asked()
	o.Coverage, o.Early, o.Late = t.shares()
	if o.Enough = o.Forecasts >= leastDates; !o.Enough {
		o.TooLittle = fmt.Sprintf("%d dates from at most %d days of history; a share needs at least %d. The first %d days only teach, and a date counts when its task was open for %d days before it",
			o.Forecasts, longest, leastDates, warmUp, lead)
	}
	if o.Forecasts > 0 {
		for i, name := range wayNames() {
			o.Errors = append(o.Errors, DateError{name, stats.Median(t.off[i])})
		}
	}
	return o
}

// trackOf lays a history out day by day.
func trackOf(p *plant.Plant, h History) *track {
	w := &track{plant: p, press: h.Press, cal: presscalendar.Of(p, h.Press), hours: h.LitHours}
	worked := 0.0
	for i := range h.LitHours {
		day := h.First.AddDate(0, 0, i)
		w.days = append(w.days, day)
		worked += w.cal.Hours(day)
	}
	w.nominal = worked * usualShare / float64(len(w.days))
	return w
}
