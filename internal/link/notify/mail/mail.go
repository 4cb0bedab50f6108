// Package mail sends messages by SMTP, as plain text with the same in HTML beside
// it. The connection is encrypted unless the configuration says in so many words
// that it is not.
//
// A message carries the key of its notices as Message-ID, so that a mailbox that
// gets it twice can tell. Nothing in it comes from templates that a notice could
// change: texts are escaped.
//
// Each message has a connection of its own; a plant sends a few a day.
package mail

import (
	"context"
	"crypto/tls"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"strings"
	texttemplate "text/template"
	"time"

	gomail "github.com/wneessen/go-mail"

	"curetally/internal/core/notice"
	"curetally/internal/link/notify"
)

// Encryption says how a connection to the server is protected.
type Encryption string

// The kinds of protection.
const (
	StartTLS Encryption = "starttls" // required, never left out
	Implicit Encryption = "tls"      // from the first byte
	None     Encryption = "none"
)

// Options say where mail goes.
type Options struct {
	Host       string
	Port       int
	Encryption Encryption
	TLS        *tls.Config // nil means the certificates of the system
	Username   string      // empty means without signing in
	Password   string
	From       string
	To         []string
}

//go:embed message.txt message.html
var files embed.FS

// Sender sends mail. Build it with New; it may be used by several goroutines.
type Sender struct {
	o    Options
	text *texttemplate.Template
	html *template.Template
}

// New checks addresses and templates; it does not connect.
func New(o Options) (*Sender, error) {
	shown := map[string]any{"time": func(m notice.Message, t time.Time) string { return t.In(m.Zone).Format("Mon 2 Jan 2006 15:04 MST") },
		"day": func(m notice.Message, t time.Time) string { return t.In(m.Zone).Format("Mon 2 Jan 2006") }}
	s := &Sender{o: o}
	var err error
	if s.text, err = texttemplate.New("message.txt").Funcs(shown).ParseFS(files, "message.txt"); err != nil {
		return nil, fmt.Errorf("text of mails: %w", err)
	}
	if s.html, err = template.New("message.html").Funcs(shown).ParseFS(files, "message.html"); err != nil {
		return nil, fmt.Errorf("page of mails: %w", err)
	}
	if _, err := s.client(); err != nil {
		return nil, err
	}
	m := gomail.NewMsg()
	if err := errors.Join(m.From(o.From), m.To(o.To...)); err != nil {
		return nil, fmt.Errorf("mail address: %w", err)
	}
	return s, nil
}

func (s *Sender) client() (*gomail.Client, error) {
	opts := []gomail.Option{gomail.WithPort(s.o.Port), gomail.WithTimeout(20 * time.Second)}
	security := &tls.Config{MinVersion: tls.VersionTLS12}
	if s.o.TLS != nil {
		security = s.o.TLS.Clone()
	}
	if security.ServerName == "" {
		security.ServerName = s.o.Host
	}
	opts = append(opts, gomail.WithTLSConfig(security))
	switch s.o.Encryption {
	case Implicit:
		opts = append(opts, gomail.WithSSL())
	case None:
		opts = append(opts, gomail.WithTLSPolicy(gomail.NoTLS))
	default:
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if s.o.Username != "" {
		opts = append(opts, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(s.o.Username), gomail.WithPassword(s.o.Password))
	}
	c, err := gomail.NewClient(s.o.Host, opts...)
	if err != nil {
		return nil, fmt.Errorf("mail server %s: %w", s.o.Host, err)
	}
	return c, nil
}

// Send delivers a message to all addresses. The error is a notify.Refused where
// the server refuses the message for good.
func (s *Sender) Send(ctx context.Context, m notice.Message) error {
	c, err := s.client()
	if err != nil {
		return err
	}
	msg, err := s.message(m)
	if err != nil {
		return &notify.Refused{Err: err}
	}
	if err := c.DialAndSendWithContext(ctx, msg); err != nil {
		err = fmt.Errorf("mail by %s:%d: %w", s.o.Host, s.o.Port, err)
		if why, ok := errors.AsType[*gomail.SendError](err); ok && !why.IsTemp() && why.ErrorCode() >= 500 {
			return &notify.Refused{Err: err}
		}
		return err
	}
	return nil
}

func (s *Sender) message(m notice.Message) (*gomail.Msg, error) {
	msg := gomail.NewMsg()
	if err := errors.Join(msg.From(s.o.From), msg.To(s.o.To...)); err != nil {
		return nil, fmt.Errorf("mail address: %w", err)
	}
	_, domain, _ := strings.Cut(strings.TrimSuffix(s.o.From, ">"), "@")
	msg.SetMessageIDWithValue(m.Key + "@" + domain)
	msg.SetDateWithValue(m.Notices[len(m.Notices)-1].At)
	msg.Subject(notify.Subject(m))
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: keeps absence notes from answering
	if err := msg.SetBodyTextTemplate(s.text, m); err != nil {
		return nil, fmt.Errorf("text of the mail: %w", err)
	}
	if err := msg.AddAlternativeHTMLTemplate(s.html, m); err != nil {
		return nil, fmt.Errorf("page of the mail: %w", err)
	}
	return msg, nil
}
