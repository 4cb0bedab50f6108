// Package webhook posts messages as JSON to an address. The body follows the JSON
// Schema that Schema gives; it is signed, so that the receiver can tell who sent
// it and that nothing was changed.
//
// The header Curetally-Signature is "t=UNIX,v1=HEX": HEX is the HMAC-SHA-256,
// under the shared secret, of the seconds UNIX, a full stop and the body. A
// receiver should refuse seconds that are far from its own, which keeps an old
// message from being played back. Idempotency-Key stays the same when a message
// is sent again, and tells a repetition from news.
//
// Redirections are not followed: the address is the one that a person approved.
package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	_ "embed" // for the schema
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/link/notify"
)

//go:embed schema.json
var schema []byte

// Schema gives the JSON Schema of a body; the caller owns the copy.
func Schema() []byte { return bytes.Clone(schema) }

// Options say where messages go.
type Options struct {
	URL    string
	Secret string // of the signature; empty means unsigned
	// Client makes the requests; nil means one that follows no redirection.
	Client *http.Client
	Now    func() time.Time // of the signature; the real clock when nil
}

// Sender posts messages. Build it with New; it may be used by several goroutines.
type Sender struct{ o Options }

// New checks the address; it does not connect.
func New(o Options) (*Sender, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, errors.New("webhook: expected an address such as https://host/path")
	}
	if o.Client == nil {
		o.Client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Sender{o}, nil
}

type body struct {
	Version int             `json:"version"`
	Key     string          `json:"key"`
	Site    string          `json:"site"`
	Zone    string          `json:"time_zone"`
	Notices []notice.Notice `json:"notices"`
}

// Send posts a message. Any answer from 200 to 299 means that it arrived. The
// error is a notify.Refused where the receiver says that the body is wrong, or
// that it is there no more.
func (s *Sender) Send(ctx context.Context, m notice.Message) error {
	data, err := json.Marshal(body{1, m.Key, m.Site, m.Zone.String(), m.Notices})
	if err != nil {
		return &notify.Refused{Err: fmt.Errorf("webhook: %w", err)}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.o.URL, bytes.NewReader(data))
	if err != nil {
		return &notify.Refused{Err: s.plain(err)}
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "curetally")
	req.Header.Set("Idempotency-Key", m.Key)
	if s.o.Secret != "" {
		req.Header.Set("Curetally-Signature", Signature(s.o.Secret, s.o.Now(), data))
	}
	resp, err := s.o.Client.Do(req)
	if err != nil {
		return s.plain(err)
	}
	// A little of the answer is read so that the connection can be used again.
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10))
	_ = resp.Body.Close()
	switch code := resp.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code == http.StatusBadRequest, code == http.StatusGone, code == http.StatusRequestEntityTooLarge,
		code == http.StatusUnsupportedMediaType, code == http.StatusUnprocessableEntity:
		return &notify.Refused{Err: fmt.Errorf("webhook: the receiver refuses it: %s", resp.Status)}
	default:
		return fmt.Errorf("webhook: the receiver answers %s", resp.Status)
	}
}

// plain takes the address out of an error, because it may hold a secret.
func (s *Sender) plain(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err
	}
	return fmt.Errorf("webhook: %w", err)
}

// Signature gives the value of the signature's header.
func Signature(secret string, at time.Time, body []byte) string {
	unix := strconv.FormatInt(at.Unix(), 10)
	mac := hmac.New(sha256.New, []byte(secret))
	_, _ = mac.Write([]byte(unix + "."))
	_, _ = mac.Write(body)
	return "t=" + unix + ",v1=" + hex.EncodeToString(mac.Sum(nil))
}
