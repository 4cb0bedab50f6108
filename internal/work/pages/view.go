package pages

import (
	"math"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/plant"
)

// view is a page in words, ready to be set: the template formats nothing.
type view struct {
	words Words

	Lang, Style, Site, Title, Dateline, Person string
	Nav, Languages                             []link
	Said, Problem                              string
	Sections                                   []section
}

// T gives a text of the catalogue to the template.
func (v view) T(name string) string { return v.words.Text("web-" + name) }

type link struct {
	Href, Text string
	Current    bool
	Lang       string // of Text; empty for that of the page
}

// section is a part of a page under a heading. Of its pieces those that are there
// are set, in this order.
type section struct {
	ID, Heading string
	Lead        []string
	Alerts      []alert
	Quiet       string // beside no alert: that nothing is wrong
	Glance      []glance
	Web         []stop
	Tickets     []ticket
	Tables      []table
	Pictures    []picture
	Forms       []form
	Links       []link
}

type alert struct{ Head, Text, Remedy string }

type glance struct{ Label, Value, Unit, Note string }

// stop is a station on the way of the web.
type stop struct{ State, Word, Title string }

type table struct {
	Caption string
	Heads   []head
	Rows    [][]cell
	Empty   string // what is said instead of a table without rows
}

type head struct {
	Text, Unit string
	Number     bool
}

// cell is a place of a table. Its first one names the row.
type cell struct {
	Text, Sub, State string
	Bar              *bar
	Form             *form
}

// bar is a share of a rated life with the rating as a mark.
type bar struct{ Used string }

// barEnd is where the life bar stops: a quarter beyond the rated life.
const barEnd = 125

func lifeBar(used float64) *bar {
	if math.IsNaN(used) || math.IsInf(used, 0) {
		return nil
	}
	return &bar{strconv.FormatFloat(min(max(100*used, 0), barEnd), 'f', 1, 64)}
}

type ticket struct {
	Title, Subject, Mark, Word, When, Spread, Reason string
	Facts                                            []string
	Codes, Cautioned                                 string
	Cautions                                         []caution
	Deference                                        string
	Forms                                            []form
}

type caution struct{ Code, Text string }

// picture is a plot with the words that open the table behind it.
type picture struct {
	Picture
	Behind string
}

// pictures words plots.
func (r *request) pictures(all []Picture) []picture {
	out := make([]picture, len(all))
	for i, x := range all {
		out[i] = picture{x, r.text("page-behind")}
	}
	return out
}

// form is what a person can put on record.
type form struct {
	ID, Title, Action, Button string
	Lead                      string
	Hidden                    []hidden
	Fields                    []field
	Open                      bool
}

type hidden struct{ Name, Value string }

// field is one thing to be entered. Kind is text, number, date, area or choice.
type field struct {
	ID, Name, Label, Hint, Kind, Value string
	Required                           bool
	Options                            []option
}

type option struct{ Value, Text string }

// fill puts what was entered back into the form that failed.
func (r *request) fill(f form) form {
	if r.failed != nil && r.failed.action == f.Action && same(f.Hidden, r.failed.entered) {
		f.Open = true
		for i, x := range f.Fields {
			if v := r.failed.entered[x.Name]; len(v) > 0 {
				f.Fields[i].Value = v[0]
			}
		}
	}
	for i := range f.Fields {
		f.Fields[i].ID = f.ID + "-" + f.Fields[i].Name
	}
	return f
}

// same says whether a form is about what was entered. What was seen may have changed.
func same(hidden []hidden, entered map[string][]string) bool {
	for _, h := range hidden {
		if v := entered[h.Name]; h.Name != seenField && (len(v) == 0 || v[0] != h.Value) {
			return false
		}
	}
	return true
}

// by asks for the name of the person where nobody is signed in.
func (r *request) by() []field {
	if r.view.Person != "" {
		return nil
	}
	return []field{{Name: "by", Label: r.text("form-by"), Kind: "text", Required: true}}
}

// local is an instant in the site's zone.
func (r *request) local(t time.Time) time.Time {
	if r.now.Zone == nil {
		return t.UTC()
	}
	return t.In(r.now.Zone)
}

// day writes the local day of an instant.
func (r *request) day(t time.Time) string {
	if t.IsZero() {
		return r.text("page-unknown")
	}
	return r.words.Date(r.local(t))
}

// moment writes an instant to the minute, the day only where it is another.
func (r *request) moment(t time.Time) string {
	if t.IsZero() {
		return r.text("page-unknown")
	}
	local, now := r.local(t), r.local(r.now.At)
	if local.Year() == now.Year() && local.YearDay() == now.YearDay() {
		return r.text("page-today-at", local.Format("15:04"))
	}
	return r.words.Date(local) + local.Format(" 15:04")
}

// since writes how long ago an instant is.
func (r *request) since(t time.Time) string {
	d := r.now.At.Sub(t)
	if t.IsZero() || d < 0 {
		return ""
	}
	minutes := int(d / time.Minute)
	switch {
	case minutes < 60:
		return r.text("page-minutes", strconv.Itoa(minutes))
	case minutes < 48*60:
		return r.text("page-hours", strconv.Itoa(minutes/60), strconv.Itoa(minutes%60))
	default:
		return r.text("page-days", strconv.Itoa(minutes/(24*60)))
	}
}

func (r *request) number(v float64, decimals int) string { return r.words.Number(v, decimals) }

// count writes a whole number.
func (r *request) count(n int) string { return r.words.Number(float64(n), 0) }

func (r *request) percent(fraction float64) string {
	return r.words.Number(100*fraction, 0) + "\u00a0%"
}

// kilowatts writes a power, a dash where it is not known.
func (r *request) kilowatts(watts *float64) string {
	if watts == nil {
		return "–"
	}
	return r.number(*watts/1000, 2)
}

// state writes a state in a word.
func (r *request) state(s plant.State) string { return r.text("state-" + stateName(s)) }

func stateName(s plant.State) string {
	if s == plant.StateNone {
		return plant.StateUnknown.String()
	}
	return s.String()
}

// source writes a light source.
func (r *request) source(t plant.Technology) string {
	if t == plant.TechnologyNone {
		return ""
	}
	return r.text("source-" + t.String())
}

// said gives finished sentences of the core in the reader's language, each by itself.
func (r *request) said(sentences string) string {
	parts := strings.SplitAfter(sentences, ". ")
	for i, s := range parts {
		trimmed := strings.TrimSuffix(s, " ")
		parts[i] = r.words.Phrase(trimmed) + s[len(trimmed):]
	}
	return strings.Join(parts, "")
}
