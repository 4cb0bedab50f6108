package pages

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/core/upkeep"
)

// work shows tasks by the planned stop in which they are best done, and takes what
// people did about them.
func (p *Pages) work(r *request) error {
	all, err := p.o.Upkeep.Tasks(r.Context())
	if err != nil {
		return err
	}
	if len(all.Recent) > 0 {
		defer func() { r.view.Sections = append(r.view.Sections, r.recent(all)) }()
	}
	placed := map[string]bool{}
	for i, st := range all.Stops {
		s := section{ID: "stop-" + strconv.Itoa(i+1), Heading: r.text("stop", r.moment(st.From))}
		lead := r.text("stop-says", r.moment(st.From), r.moment(st.To), r.count(st.Minutes))
		if st.Press != "" {
			lead = st.Press + ". " + lead
		}
		s.Lead = []string{lead}
		for _, t := range all.Tasks {
			if slices.Contains(st.Tasks, t.Name()) && !placed[t.Name()] {
				placed[t.Name()] = true
				s.Tickets = append(s.Tickets, r.ticket(t))
			}
		}
		if len(s.Tickets) > 0 {
			r.view.Sections = append(r.view.Sections, s)
		}
	}
	open := section{ID: "open", Heading: r.text("open")}
	later := table{
		Caption: r.text("later-says"), Empty: r.text("later-none"),
		Heads: []head{{Text: r.text("task")}, {Text: r.text("task-when")}, {Text: r.text("task-spread")}, {Text: r.text("task-used"), Number: true}},
	}
	for _, t := range all.Tasks {
		switch {
		case placed[t.Name()]:
		case t.Status != upkeep.OK:
			open.Tickets = append(open.Tickets, r.ticket(t))
		default:
			later.Rows = append(later.Rows, []cell{{Text: t.Title, Sub: t.Subject}, {Text: r.day(t.Due), Sub: r.words.Phrase(t.Reason)}, {Text: r.spread(t)}, {Text: r.percent(t.UsedFraction)}})
		}
	}
	if len(open.Tickets) == 0 {
		open.Quiet = r.text("open-none")
	}
	r.view.Sections = append(r.view.Sections, open, section{ID: "later", Heading: r.text("later"), Tables: []table{later}})
	return nil
}

// spread writes between which days a task falls due.
func (r *request) spread(t Task) string {
	if t.DueP10.IsZero() {
		return r.text("task-no-spread")
	}
	if t.DueP90.Equal(t.DueP10) {
		return r.text("task-exactly")
	}
	last := r.text("task-beyond")
	if !t.DueP90.IsZero() {
		last = r.day(t.DueP90)
	}
	return r.text("task-between", r.day(t.DueP10), last)
}

// due writes the day on which a task is due.
func (r *request) due(t Task) string {
	if t.Due.IsZero() {
		return r.text("task-undated")
	}
	return r.text("task-on", r.day(t.Due))
}

func (r *request) ticket(t Task) ticket {
	out := ticket{
		Title: t.Title, Subject: t.Subject, Mark: "task-" + string(t.Status), Word: r.text("task-" + string(t.Status)), When: r.due(t),
		Spread: r.spread(t), Reason: r.words.Phrase(t.Reason), Deference: r.text("deference"),
	}
	if !t.DueP50.IsZero() && !t.DueP50.Equal(t.DueP10) {
		out.Spread += "; " + r.text("task-likely", r.day(t.DueP50))
	}
	if t.Guess {
		out.Reason += ". " + r.text("task-guess")
	}
	if !t.PostponedUntil.IsZero() {
		out.Reason += ". " + r.text("task-postponed", r.day(t.PostponedUntil), r.day(t.OriginalDue))
	}
	if t.UsedFraction > 0 {
		out.Facts = append(out.Facts, r.text("task-of-limit", r.percent(t.UsedFraction)))
	}
	if t.Minutes > 0 {
		out.Facts = append(out.Facts, r.text("task-minutes", r.count(t.Minutes)))
	}
	out.Facts = append(out.Facts, t.Parts...)
	var codes []string
	for _, c := range t.Cautions {
		if c.Code != "" { // the ticket ends with the deferring sentence itself
			codes = append(codes, c.Code)
			out.Cautions = append(out.Cautions, caution{c.Code, r.words.Phrase(c.Text)})
		}
	}
	out.Codes, out.Cautioned = strings.Join(codes, ", "), r.text("cautions")
	out.Forms = r.taskForms(t)
	return out
}

// taskForms are the forms that the reader may use on a task.
func (r *request) taskForms(t Task) []form {
	id := strings.NewReplacer("/", "-", " ", "-").Replace(t.Name())
	about := []hidden{{"rule", string(t.Rule)}, {"subject", t.Subject}}
	if !t.Anchor.IsZero() {
		about = append(about, hidden{seenField, t.Anchor.Format(time.RFC3339Nano)})
	}
	why := field{Name: "reason", Label: r.text("form-reason"), Kind: "text", Required: true}
	var out []form
	add := func(needs access.Action, f form, fields ...field) {
		if !r.may(needs) {
			return
		}
		f.ID, f.Hidden, f.Fields = f.ID+"-"+id, append(slices.Clone(about), f.Hidden...), append(r.by(), fields...)
		out = append(out, r.fill(f))
	}
	if t.Change {
		add(access.FitLamp, form{
			ID: "change", Title: r.text("form-change"), Button: r.text("form-record"), Action: "/work/change",
			Hidden: []hidden{{"lamp", string(t.Lamp)}, {"station", string(t.Station)}},
		}, field{Name: "serial", Label: r.text("form-serial"), Kind: "text", Required: true},
			field{Name: "reason", Label: r.text("form-why-out"), Kind: "choice", Options: r.whyOut()})
	} else {
		add(access.MarkDone, form{ID: "done", Title: r.text("form-done"), Button: r.text("form-record"), Action: "/work/done"},
			field{Name: "reading", Label: r.text("form-reading"), Hint: r.text("form-reading-hint"), Kind: "text"},
			field{Name: "note", Label: r.text("form-note"), Kind: "text"})
	}
	if !t.Due.IsZero() {
		add(access.PostponeTask, form{ID: "postpone", Title: r.text("form-postpone"), Button: r.text("form-record"), Action: "/work/postpone"},
			field{Name: "until", Label: r.text("form-until"), Kind: "date", Required: true}, why)
	}
	if !t.Change {
		add(access.SkipTask, form{ID: "skip", Title: r.text("form-skip"), Button: r.text("form-record"), Action: "/work/skip"}, why)
	}
	return out
}

// whyOut are the reasons for which a lamp is taken out in a change.
func (r *request) whyOut() []option {
	var out []option
	for _, v := range []string{"preventive", "failed", "output", "breakage"} {
		out = append(out, option{v, r.text("out-" + v)})
	}
	return out
}

// recent lists what was recorded last, so that it can be taken back.
func (r *request) recent(all Tasks) section {
	t := table{
		Caption: r.text("recent-says"),
		Heads:   []head{{Text: r.text("task")}, {Text: r.text("recent-what")}, {Text: r.text("recent-note")}, {Text: r.text("recent-undo")}},
	}
	for i, a := range all.Recent {
		title := string(a.Rule)
		for _, x := range all.Tasks {
			if x.Rule == a.Rule && x.Subject == a.Subject {
				title = x.Title
			}
		}
		back := cell{}
		if r.may(access.UndoTask) {
			f := r.fill(form{
				ID: "undo-" + strconv.Itoa(i+1), Title: r.text("form-undo"), Button: r.text("form-undo"), Action: "/work/undo",
				Hidden: []hidden{{"rule", string(a.Rule)}, {"subject", a.Subject}},
				Fields: append(r.by(), field{Name: "reason", Label: r.text("form-reason"), Kind: "text", Required: true}),
			})
			back.Form = &f
		}
		note := strings.Trim(a.Reading+"; "+a.Note, "; ")
		t.Rows = append(t.Rows, []cell{{Text: title, Sub: a.Subject}, {Text: r.text("act-"+string(a.Kind), a.By), Sub: r.moment(a.At)}, {Text: note}, back})
	}
	return section{ID: "recent", Heading: r.text("recent"), Tables: []table{t}}
}
