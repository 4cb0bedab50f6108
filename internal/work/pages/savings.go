package pages

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"curetally/internal/core/access"
)

// savings shows the statement of each project, or what is missing for one.
func (p *Pages) savings(r *request) error {
	all, err := p.o.Figures.Savings(r.Context(), r.view.Lang)
	if err != nil {
		return err
	}
	for _, pr := range all {
		r.view.Sections = append(r.view.Sections, r.project(pr)...)
	}
	if len(all) == 0 {
		r.view.Sections = []section{{ID: "none", Heading: r.text("page-savings"), Quiet: r.text("savings-none")}}
	}
	return nil
}

func (r *request) project(pr Project) []section {
	s := section{ID: "project-" + pr.ID, Heading: pr.Title}
	for _, f := range pr.Findings {
		s.Alerts = append(s.Alerts, alert{Text: r.words.Phrase(f)})
	}
	if pr.Missing != "" {
		s.Lead = append(s.Lead, r.words.Phrase(pr.Missing))
		if !pr.Frozen {
			s.Lead = append(s.Lead, r.readiness(pr)...)
		}
		s.Forms = r.projectForms(pr)
		return []section{s}
	}
	st := pr.Statement
	verdict := "savings-shown"
	if !st.Shown {
		verdict = "savings-not-shown"
	}
	s.Glance = []glance{
		{r.text("savings-saved"), r.number(st.SavedKWh, 0), "kWh", r.text("savings-half", r.number(st.HalfWidthKWh, 0), r.percent(st.Confidence))},
		{r.text("savings-expected"), r.number(st.ExpectedKWh+st.AdjustmentKWh, 0), "kWh", r.text("savings-share", r.percent(st.SavedFraction))},
		{r.text("savings-metered"), r.number(st.ActualKWh, 0), "kWh", r.text("savings-days", r.count(st.Days))},
		{r.text("savings-carbon"), r.number(st.CarbonKg, 0), "kg CO₂e", ""},
	}
	if st.Cost.Currency != "" {
		s.Glance = append(s.Glance, glance{r.text("savings-cost"), r.number(st.Cost.Float(), 0), st.Cost.Currency, ""})
	}
	s.Lead = []string{
		r.text(verdict), r.text("savings-period", r.day(st.From), r.day(st.To)),
		r.text("savings-baseline", strconv.Itoa(pr.Baseline.Version), r.day(pr.Baseline.Frozen), pr.Baseline.Approver), r.said(st.UncertaintyWords()),
	}
	s.Pictures = r.pictures(pr.Plots)
	s.Tables = []table{r.levels(pr), r.quality(pr)}
	base := "/savings/" + url.PathEscape(pr.ID)
	s.Links = []link{{Href: base + "/xlsx", Text: r.text("savings-workbook")}, {Href: base + "/json", Text: r.text("savings-figures")}, {Href: base + "/csv", Text: r.text("savings-data")}}
	s.Forms = r.projectForms(pr)
	return []section{s, r.leftOut(pr), r.adjustments(pr)}
}

// levels is the saving at each level of confidence.
func (r *request) levels(pr Project) table {
	t := table{
		Caption: r.text("levels-says"),
		Heads:   []head{{Text: r.text("levels")}, {Text: r.text("savings-saved"), Unit: "kWh", Number: true}, {Text: r.text("levels-half"), Unit: "kWh", Number: true}, {Text: r.text("levels-from-to"), Unit: "kWh", Number: true}, {Text: r.text("levels-shown")}},
	}
	for _, x := range pr.Statement.Intervals {
		shown := r.text("no")
		if x.Shown {
			shown = r.text("yes")
		}
		saved := pr.Statement.SavedKWh
		t.Rows = append(t.Rows, []cell{
			{Text: r.percent(x.Confidence)}, {Text: r.number(saved, 0)}, {Text: "± " + r.number(x.HalfWidthKWh, 0)},
			{Text: r.text("between", r.number(saved-x.HalfWidthKWh, 0), r.number(saved+x.HalfWidthKWh, 0))}, {Text: shown},
		})
	}
	return t
}

// quality says how the metered energy was known.
func (r *request) quality(pr Project) table {
	t := table{
		Caption: r.text("quality-says"),
		Heads:   []head{{Text: r.text("quality")}, {Text: r.text("energy"), Unit: "kWh", Number: true}, {Text: r.text("quality-share"), Number: true}},
	}
	for _, q := range pr.Statement.Quality {
		t.Rows = append(t.Rows, []cell{{Text: r.text("quality-" + q.Quality)}, {Text: r.number(q.KWh, 0)}, {Text: r.number(100*q.Fraction, 1) + "\u00a0%"}})
	}
	return t
}

// leftOut lists days that do not count, with the reason.
func (r *request) leftOut(pr Project) section {
	t := table{Caption: r.text("left-out-says"), Empty: r.text("left-out-none"), Heads: []head{{Text: r.text("day")}, {Text: r.text("left-out-why")}}}
	for _, x := range pr.Statement.Excluded {
		t.Rows = append(t.Rows, []cell{{Text: r.day(x.Day)}, {Text: r.words.Phrase(x.Reason)}})
	}
	for _, x := range pr.Statement.OutsideRange {
		t.Rows = append(t.Rows, []cell{{Text: r.day(x.Day)}, {Text: r.text("left-out-range", r.words.Text("driver-"+string(x.Driver)))}})
	}
	return section{ID: "left-out-" + pr.ID, Heading: r.text("left-out") + ", " + pr.Title, Tables: []table{t}}
}

func (r *request) adjustments(pr Project) section {
	t := table{
		Caption: r.text("adjust-says"), Empty: r.text("adjust-none"),
		Heads: []head{{Text: r.text("adjust-number")}, {Text: r.text("adjust-event")}, {Text: r.text("adjust-days")}, {Text: r.text("energy"), Unit: "kWh", Number: true}, {Text: r.text("adjust-by")}},
	}
	for _, a := range pr.Adjusted {
		t.Rows = append(t.Rows, []cell{
			{Text: strconv.Itoa(a.Number)}, {Text: a.Event, Sub: a.Evidence}, {Text: r.text("between", r.day(a.From), r.day(a.To))}, {Text: r.number(a.Energy.KWh(), 1)}, {Text: a.Approver},
		})
	}
	return section{ID: "adjustments-" + pr.ID, Heading: r.text("adjust") + ", " + pr.Title, Tables: []table{t}}
}

// readiness says how far a baseline is that is not frozen yet.
func (r *request) readiness(pr Project) []string {
	out := []string{r.text("ready-rows", r.count(pr.Ready.Rows), r.count(pr.Ready.NeededRows))}
	if pr.Ready.Ready {
		out = append(out, r.text("ready"))
	}
	for _, m := range pr.Ready.Missing {
		out = append(out, r.words.Phrase(m))
	}
	return out
}

func (r *request) projectForms(pr Project) []form {
	about := []hidden{{"project", pr.ID}}
	var out []form
	add := func(needs access.Action, f form, fields ...field) {
		if r.may(needs) {
			f.ID, f.Hidden, f.Fields, f.Button = f.ID+"-"+pr.ID, about, append(r.by(), fields...), f.Title
			out = append(out, r.fill(f))
		}
	}
	freeze := form{ID: "freeze", Title: r.text("form-freeze"), Action: "/savings/freeze", Lead: r.text("form-freeze-lead")}
	if pr.Frozen {
		add(access.AddAdjustment, form{ID: "adjust", Title: r.text("form-adjust"), Action: "/savings/adjust", Lead: r.text("form-adjust-lead")},
			field{Name: "from", Label: r.text("form-from"), Kind: "date", Required: true}, field{Name: "to", Label: r.text("form-to"), Kind: "date", Required: true},
			field{Name: "energy", Label: r.text("form-energy"), Kind: "number", Required: true},
			field{Name: "event", Label: r.text("form-event"), Kind: "text", Required: true}, field{Name: "evidence", Label: r.text("form-evidence"), Kind: "text", Required: true})
		add(access.PublishStatement, form{ID: "publish", Title: r.text("form-publish"), Action: "/savings/publish", Lead: r.text("form-publish-lead")},
			field{Name: "period", Label: r.text("form-period"), Hint: r.text("form-period-hint"), Kind: "text", Required: true},
			field{Name: "reason", Label: r.text("form-reason-again"), Kind: "text"})
		freeze.Title, freeze.Lead = r.text("form-freeze-again"), r.text("form-freeze-again-lead")
		add(access.FreezeBaseline, freeze, field{Name: "reason", Label: r.text("form-reason"), Kind: "text", Required: true})
		return out
	}
	add(access.FreezeBaseline, freeze)
	return out
}

// download sends a document of a project, whole or not at all.
func (p *Pages) download(w http.ResponseWriter, hr *http.Request) {
	lang := p.language(w, hr)
	d := Document{Project: hr.PathValue("project"), Form: hr.PathValue("form"), Language: lang}
	kinds := map[string]string{
		"xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "json": "application/json", "csv": "text/csv; charset=utf-8",
	}
	kind, ok := kinds[d.Form]
	if !ok {
		p.write(w, p.begin(w, hr), func(*request) error { return errNoPage })
		return
	}
	var out bytes.Buffer
	if err := p.o.Figures.Download(hr.Context(), &out, d); err != nil {
		p.write(w, p.begin(w, hr), func(*request) error { return err })
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", d.Project+"."+d.Form))
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(out.Bytes()) // a reader who has left is told nothing
}
