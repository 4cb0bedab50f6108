package config

import (
	"fmt"
	"net/mail"
	"net/url"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/link/config/routes"
)

// Notify says who is told what, and how.
type Notify struct {
	Limits   notice.Limits
	Channels []Channel
	// Calendar are the tokens by which the calendar feed can be read; none means
	// that there is no feed.
	Calendar []Token
	// Retained is what the topics of retained MQTT messages begin with, without a
	// slash at its end; empty means that nothing is shown at the broker.
	Retained string
}

// BoardSuffix ends the client id of the connection that shows retained messages,
// so that it is not that of the one that listens.
const BoardSuffix = "-shows"

// Token is a secret that opens something, with a name by which people know whose
// it is.
type Token struct {
	Name string
	Text Secret
}

// Channel is a route with the way that it takes: exactly one of Mail and Webhook.
type Channel struct {
	Route   notice.Route
	Mail    *Mail
	Webhook *Webhook
}

// Mail is a way by SMTP.
type Mail struct {
	Host       string
	Port       int
	Encryption string // starttls, tls or none
	Username   string
	Password   Secret
	CAFile     string
	From       string
	To         []string
}

// Webhook is a way by HTTP.
type Webhook struct {
	URL    Secret // may hold a token
	Secret Secret // of the signature
}

type notifySpec struct {
	Settle     time.Duration `yaml:"settle"`
	Clear      time.Duration `yaml:"clear"`
	Unanswered time.Duration `yaml:"unanswered"`
	Channels   []channelSpec `yaml:"channels"`
	Calendar   []tokenSpec   `yaml:"calendar"`
	Retained   *retainedSpec `yaml:"retained"`
}

type retainedSpec struct {
	Prefix string `yaml:"prefix,required"`
}

func (s *notifySpec) SetDefaults() {
	s.Settle, s.Clear, s.Unanswered = 3*time.Minute, 10*time.Minute, 48*time.Hour
}

type channelSpec struct {
	routes.Spec
	Mail    *mailSpec    `yaml:"mail"`
	Webhook *webhookSpec `yaml:"webhook"`
}

type mailSpec struct {
	Host         string   `yaml:"host,required"`
	Port         int      `yaml:"port"`
	Encryption   string   `yaml:"encryption"`
	Username     string   `yaml:"username"`
	Password     Secret   `yaml:"password"`
	PasswordFile string   `yaml:"password_file"`
	CAFile       string   `yaml:"ca_file"`
	From         string   `yaml:"from,required"`
	To           []string `yaml:"to,required"`
}

func (s *mailSpec) SetDefaults() { s.Encryption = "starttls" }

type webhookSpec struct {
	URL        Secret `yaml:"url"`
	URLFile    string `yaml:"url_file"`
	Secret     Secret `yaml:"secret"`
	SecretFile string `yaml:"secret_file"`
}

type tokenSpec struct {
	Name      string `yaml:"name,required"`
	Token     Secret `yaml:"token"`
	TokenFile string `yaml:"token_file"`
}

// minToken is the least length of a token: 24 letters and digits are more than
// anybody can guess.
const minToken = 24

func (b *builder) notify() {
	s := b.in.Notify
	n := Notify{Limits: notice.Limits{Settle: s.Settle, Clear: s.Clear, Unanswered: s.Unanswered}}
	for _, limit := range []struct {
		key string
		is  time.Duration
	}{{"settle", s.Settle}, {"clear", s.Clear}, {"unanswered", s.Unanswered}} {
		if limit.is < 0 || limit.is > 90*24*time.Hour {
			b.report("notify."+limit.key, "not between 0 and 90 days", "write for example 10m or 48h")
		}
	}
	taken := map[string]bool{}
	for i, cs := range s.Channels {
		at := fmt.Sprintf("notify.channels[%d]", i)
		if taken[cs.Name] {
			b.reportf(at+".name", "give each channel its own name", "the name %q is already taken", cs.Name)
		}
		taken[cs.Name] = true
		n.Channels = append(n.Channels, b.channel(at, cs))
	}
	answers := func(c Channel) bool {
		return c.Route.Unanswered || slices.Contains(c.Route.Kinds, notice.TaskUnanswered)
	}
	if b.doc.Has("notify.unanswered") && !slices.ContainsFunc(n.Channels, answers) {
		b.report("notify.unanswered", "nobody is told", "write unanswered: true at the channel of whoever is to know, or remove it")
	}
	n.Calendar = b.calendar(s.Calendar)
	n.Retained = b.retained(s.Retained)
	b.settings.Notify = n
}

// retained checks what the topics of retained messages begin with. A topic that a
// mapping listens to would come back as a message of a station.
func (b *builder) retained(s *retainedSpec) string {
	const at = "notify.retained.prefix"
	if s == nil {
		return ""
	}
	if b.in.Broker.URL == "" {
		b.report(at, "there is no broker", "add broker, or remove notify.retained")
	}
	levels := strings.Split(s.Prefix, "/")
	if slices.Contains(levels, "") || strings.ContainsAny(s.Prefix, "+#\x00") || strings.HasPrefix(s.Prefix, "$") || len(s.Prefix) > 200 {
		b.reportf(at, "write levels of plain text, for example curetally/alder-lane", "%q cannot begin a topic", s.Prefix)
		return ""
	}
	for i, t := range b.in.Topics {
		overlaps := true
		for j, level := range strings.Split(t.Pattern, "/") {
			if j < len(levels) && level != levels[j] && !strings.HasPrefix(level, "{") {
				overlaps = false
			}
		}
		if overlaps {
			b.reportf(at, "choose a prefix of its own, for example curetally/alder-lane", "topics[%d] listens to what would be shown there", i)
		}
	}
	return s.Prefix
}

func (b *builder) channel(at string, cs channelSpec) Channel {
	c := Channel{Route: cs.Route(b.doc, at, &b.plant)}
	switch {
	case cs.Mail != nil && cs.Webhook != nil:
		b.report(at, "has two ways, mail and webhook", "make two channels of it")
	case cs.Mail != nil:
		c.Mail = b.mail(at+".mail", *cs.Mail)
	case cs.Webhook != nil:
		c.Webhook = b.webhook(at+".webhook", *cs.Webhook)
	default:
		b.report(at, "has no way", "add mail or webhook")
	}
	return c
}

func (b *builder) mail(at string, s mailSpec) *Mail {
	m := &Mail{
		Host: s.Host, Port: s.Port, Encryption: s.Encryption, Username: s.Username, From: s.From, To: s.To,
		Password: b.secret(at+".password", s.Password, s.PasswordFile), CAFile: b.path(s.CAFile),
	}
	if s.Host == "" || strings.ContainsAny(s.Host, ":/ ") {
		b.report(at+".host", "not the name of a host", "write the mail server's name without port, for example mail.example.net")
	}
	port, known := map[string]int{"starttls": 587, "tls": 465, "none": 25}[s.Encryption]
	if !known {
		b.reportf(at+".encryption", "write starttls, tls, or none for a server on this machine", "unknown encryption %q", s.Encryption)
	}
	if !b.doc.Has(at + ".port") {
		m.Port = port
	} else if s.Port < 1 || s.Port > 65535 {
		b.report(at+".port", "out of range", "expected 1 to 65535")
	}
	if m.Password.IsSet() != (m.Username != "") {
		b.report(at+".username", "user name and password are of use only together", "give username and password_file, or neither")
	}
	if m.Password.IsSet() && s.Encryption == "none" {
		b.report(at+".encryption", "the password would go over the line in clear", "use starttls or tls")
	}
	if len(s.To) == 0 {
		b.report(at+".to", "nobody is named", "list at least one address")
	}
	b.mailAddress(at+".from", s.From)
	for i, to := range s.To {
		b.mailAddress(fmt.Sprintf("%s.to[%d]", at, i), to)
	}
	if s.CAFile != "" {
		if _, err := readFile(m.CAFile); err != nil {
			b.unreadable(at+".ca_file", err)
		}
	}
	return m
}

func (b *builder) mailAddress(at, address string) {
	if _, err := mail.ParseAddress(address); err != nil {
		b.reportf(at, "write name@host, or Name <name@host>", "%q is not a mail address", address)
	}
}

func (b *builder) webhook(at string, s webhookSpec) *Webhook {
	w := &Webhook{URL: b.secret(at+".url", s.URL, s.URLFile), Secret: b.secret(at+".secret", s.Secret, s.SecretFile)}
	u, err := url.Parse(w.URL.Reveal())
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		b.report(at+".url", "not the address of a receiver", "write for example https://host/path, or url_file where it holds a secret")
	}
	if w.Secret.IsSet() && len(w.Secret.Reveal()) < minToken {
		b.reportf(at+".secret", "make one with: openssl rand -hex 32", "shorter than %d characters", minToken)
	}
	return w
}

func (b *builder) calendar(specs []tokenSpec) []Token {
	var out []Token
	for i, ts := range specs {
		at := fmt.Sprintf("notify.calendar[%d]", i)
		t := Token{Name: ts.Name, Text: b.secret(at+".token", ts.Token, ts.TokenFile)}
		if len(t.Text.Reveal()) < minToken {
			b.reportf(at+".token", "make one with: openssl rand -hex 32", "shorter than %d characters", minToken)
		}
		out = append(out, t)
	}
	return out
}
