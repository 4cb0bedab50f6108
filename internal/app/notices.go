package app

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net/http"
	"os"
	"strings"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
	"curetally/internal/core/upkeep"
	"curetally/internal/link/config"
	"curetally/internal/link/notify/feed"
	"curetally/internal/link/notify/mail"
	"curetally/internal/link/notify/webhook"
	"curetally/internal/work/tell"
	"curetally/internal/work/web"
)

// recent is how far back published statements are announced: a daemon that was
// away announces them late, one that is new to a database does not announce them
// all.
const recent = 7 * 24 * time.Hour

// How many notices one message of a way may carry.
const (
	togetherMail   = 50
	togetherDigest = 200
)

// newTeller builds the ways to people that are configured. Without any, notices
// are still kept, for the list and the calendar.
func (d *Daemon) newTeller() (*tell.Teller, error) {
	n := d.o.Config.Settings.Notify
	o := tell.Options{
		Store: d.store, Plant: d.plant, Look: d.conditions,
		Limits: n.Limits, Retries: notice.UsualRetries(), Rand: seeded(), Log: d.log,
	}
	for _, c := range n.Channels {
		sender, together, err := newSender(c)
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", c.Route.Channel, err)
		}
		if c.Route.Digest != nil {
			together = togetherDigest
		}
		o.Channels = append(o.Channels, tell.Channel{Route: c.Route, Sender: sender, Together: together})
	}
	return tell.New(o), nil
}

// newCalendar builds the feed. It opens by the configured tokens, and to those whom
// the door has let in by a token of their own.
func (d *Daemon) newCalendar() (http.Handler, error) {
	tokens := d.o.Config.Settings.Notify.Calendar
	o := feed.Options{Site: d.plant.Name, Zone: d.plant.TimeZone, Records: d.tell.Records}
	for _, t := range tokens {
		o.Tokens = append(o.Tokens, t.Text.Reveal())
	}
	return feed.New(o)
}

func newSender(c config.Channel) (s tell.Sender, together int, err error) {
	if c.Webhook != nil {
		s, err = webhook.New(webhook.Options{URL: c.Webhook.URL.Reveal(), Secret: c.Webhook.Secret.Reveal()})
		return s, 1, err
	}
	m := c.Mail
	o := mail.Options{
		Host: m.Host, Port: m.Port, Encryption: mail.Encryption(m.Encryption),
		Username: m.Username, Password: m.Password.Reveal(), From: m.From, To: m.To,
	}
	if m.CAFile != "" {
		pem, err := os.ReadFile(m.CAFile)
		if err != nil {
			return nil, 0, fmt.Errorf("mail.ca_file: %w", err)
		}
		o.TLS = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: x509.NewCertPool()}
		if !o.TLS.RootCAs.AppendCertsFromPEM(pem) {
			return nil, 0, fmt.Errorf("mail.ca_file %s: no certificate in it — expected PEM", m.CAFile)
		}
	}
	s, err = mail.New(o)
	return s, togetherMail, err
}

// conditions lists what holds now; it is not known before the first figures.
func (d *Daemon) conditions(ctx context.Context, now time.Time) ([]notice.Condition, bool, error) {
	snap, look := d.publish.Newest(), d.plan.Newest()
	if snap == nil || look == nil || d.lamps.Newest() == nil {
		return nil, false, nil
	}
	published, err := d.store.RecentStatements(ctx, now.Add(-recent))
	if err != nil {
		return nil, false, err
	}
	var out []notice.Condition
	for _, t := range look.Tasks {
		out = append(out, taskCondition(t, d.plant))
	}
	for _, f := range d.findings(snap) {
		out = append(out, findingCondition(f, d.plant))
	}
	// The newest version of a period holds; those before it are known already.
	newest := map[string]notice.Condition{}
	for _, p := range published {
		c := statementCondition(p, d.plant)
		newest[c.Subject] = c
	}
	for _, c := range newest {
		out = append(out, c)
	}
	return out, true, nil
}

// taskCondition says of a task what a planner wants to know.
func taskCondition(t upkeep.Task, p *plant.Plant) notice.Condition {
	c := notice.Condition{
		Form: notice.Task, Topic: notice.Upkeep, Press: t.Press, Status: string(t.Status), Due: t.Due,
		Subject: notice.TaskSubject(t.Rule, t.Subject, t.Anchor),
		Title:   fmt.Sprintf("%s at %s", t.Title, t.Subject),
		Text:    t.Reason + ".",
		Remedy:  fmt.Sprintf("Plan it, then record it: curetally done %s/%s --by NAME", t.Rule, t.Subject),
	}
	if c.Press == "" {
		c.Press = pressOf(t.Subject, p)
	}
	if !t.PostponedUntil.IsZero() {
		c.Round = t.PostponedUntil.In(p.TimeZone).Format(time.DateOnly)
	}
	if len(t.Parts) > 0 {
		c.Text += " Parts: " + strings.Join(t.Parts, ", ") + "."
	}
	for i, card := range t.Cautions {
		if i == 0 {
			c.Text += " Cautions:"
		}
		c.Text += " " + card.Text
	}
	return c
}

func findingCondition(f web.Finding, p *plant.Plant) notice.Condition {
	c := notice.Condition{
		Form: notice.Finding, Topic: notice.Metering, Press: pressOf(f.Subject, p),
		Subject: "finding " + f.Kind + "/" + f.Subject,
		Title:   strings.ToUpper(f.Kind[:1]) + f.Kind[1:] + ": " + f.Subject,
		Text:    f.Text, Remedy: f.Remedy,
	}
	switch f.Kind {
	case "dirty lens", "lamp output low", "wrong lamp", "lamp of another kind", "unknown lamp kind", "lamp fault":
		c.Topic = notice.Upkeep
	case "savings drift", "baseline range left", "static factor changed", "baseline not ready":
		c.Topic = notice.Savings
	}
	return c
}

// pressOf gives the press of a name of a finding: a press, a station, a meter or a
// register of one of these; none where it is of the whole plant.
func pressOf(subject string, p *plant.Plant) plant.PressID {
	owner, _, _ := strings.Cut(subject, "/")
	if st, ok := p.FindStation(plant.StationID(owner)); ok {
		return st.Press
	}
	if m, ok := p.FindMeter(plant.MeterID(owner)); ok {
		return m.Press
	}
	if pr, ok := p.FindPress(plant.PressID(owner)); ok {
		return pr.ID
	}
	pr, _ := p.FindProject(plant.ProjectID(owner))
	return pr.Press
}

func statementCondition(s plant.Published, p *plant.Plant) notice.Condition {
	c := notice.Condition{
		Form: notice.Statement, Topic: notice.Savings, Press: pressOf(string(s.Project), p),
		Subject: fmt.Sprintf("statement %s/%s", s.Project, s.Period), Status: fmt.Sprintf("version %d", s.Version),
		Title: fmt.Sprintf("Savings of %s published for %s", s.Project, s.Period),
		Text:  fmt.Sprintf("Version %d by %s on %s; SHA-256 %s.", s.Version, s.By, s.At.In(p.TimeZone).Format("2 Jan 2006 15:04"), s.Hash),
	}
	if s.Version > 1 {
		c.Text += fmt.Sprintf(" It takes the place of version %d: %s.", s.Version-1, s.Reason)
	}
	return c
}
