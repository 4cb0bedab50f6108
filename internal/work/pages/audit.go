package pages

import (
	"strconv"

	"curetally/internal/core/access"
)

// auditRows is how many acts a page of the log has.
const auditRows = 50

// audit shows what people put on record, the newest first.
func (p *Pages) audit(r *request) error {
	if err := access.Allow(r.Context(), access.ReadAudit); err != nil {
		r.problem(r.text("page-failed"), err.Error())
		return nil
	}
	before, err := strconv.ParseInt(r.URL.Query().Get("before"), 10, 64)
	if err != nil || before < 0 {
		before = 0 // from the newest on
	}
	acts, err := p.o.Live.Acts(r.Context(), before, auditRows+1)
	if err != nil {
		return err
	}
	s := section{ID: "log", Heading: r.text("log")}
	if len(acts) > auditRows {
		acts = acts[:auditRows]
		s.Links = []link{{Href: "/audit?before=" + strconv.FormatInt(acts[auditRows-1].ID, 10), Text: r.text("log-older")}}
	}
	t := table{
		Caption: r.text("log-says"), Empty: r.text("log-none"),
		Heads: []head{{Text: r.text("log-when")}, {Text: r.text("log-who")}, {Text: r.text("log-what")}, {Text: r.text("log-about")}, {Text: r.text("log-detail")}},
	}
	for _, a := range acts {
		t.Rows = append(t.Rows, []cell{{Text: r.moment(a.At)}, {Text: a.By}, {Text: r.words.Phrase(a.Action)}, {Text: a.Subject}, {Text: a.Detail}})
	}
	s.Tables = []table{t}
	r.view.Sections = []section{s}
	return nil
}
