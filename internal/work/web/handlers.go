package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"

	"curetally/internal/core/access"
)

// handlerFunc answers a request or returns why it cannot. It writes nothing
// before it has everything, so that an error can still be answered in full.
type handlerFunc func(w http.ResponseWriter, r *http.Request) error

// problemFunc tells the reader that a request failed.
type problemFunc func(w http.ResponseWriter, status int, text string)

// publicError is an error whose text is meant for the reader.
type publicError struct {
	status int
	text   string
	err    error // for the log; nil when the reader's request was at fault
}

func (e *publicError) Error() string {
	if e.err == nil {
		return e.text
	}
	return e.err.Error()
}

func (e *publicError) Unwrap() error { return e.err }

const internalText = "The overview could not be made. The log of the program names the reason."

// answer turns a handlerFunc into a handler. Only a publicError is told to the
// reader in its own words; the log gets one line when a route begins to fail,
// when the reason changes, and when it works again.
func (s *Server) answer(problem problemFunc, h handlerFunc) http.Handler {
	c := &condition{log: s.opt.Log}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), requestTimeout)
		defer cancel()
		err := h(w, r.WithContext(ctx))
		if r.Context().Err() != nil {
			return // the reader has left, or the server ends: nothing to tell
		}
		public, isPublic := errors.AsType[*publicError](err)
		switch {
		case err == nil:
			c.note(r.URL.Path, nil)
		case isPublic:
			if public.err != nil {
				c.note(r.URL.Path, public.err)
			}
			problem(w, public.status, public.text)
		default:
			c.note(r.URL.Path, err)
			problem(w, http.StatusInternalServerError, internalText)
		}
	})
}

// condition remembers whether a route works, so that a failure that is asked
// for every few seconds fills no log.
type condition struct {
	log *slog.Logger

	mu   sync.Mutex
	last string // text of the error logged last; empty while all is well
}

func (c *condition) note(path string, err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case text == c.last:
		return
	case err == nil:
		c.log.Info("answered again", "path", path)
	default:
		c.log.Error("could not answer", "path", path, "err", err)
	}
	c.last = text
}

// overview asks the source, at most maxOverviews at a time.
func (s *Server) overview(ctx context.Context) (Overview, error) {
	turn, cancel := context.WithTimeout(ctx, turnTimeout)
	defer cancel()
	select {
	case s.turns <- struct{}{}:
		defer func() { <-s.turns }()
	case <-turn.Done():
		return Overview{}, &publicError{
			status: http.StatusServiceUnavailable,
			text:   "Too many overviews are being made at the moment. Please try again.",
			err:    fmt.Errorf("wait for a turn: %w", context.Cause(turn)),
		}
	}
	o, err := s.opt.Source.Overview(ctx)
	if err != nil {
		return Overview{}, fmt.Errorf("overview: %w", err)
	}
	return o, nil
}

func (s *Server) overviewJSON(w http.ResponseWriter, r *http.Request) error {
	o, err := s.overview(r.Context())
	if err != nil {
		return err
	}
	body, err := json.MarshalIndent(o, "", "  ")
	if err != nil {
		return fmt.Errorf("encode overview: %w", err)
	}
	send(w, http.StatusOK, "application/json", append(body, '\n'))
	return nil
}

// healthz says that the process answers. It asks nothing else on purpose: a
// database that is down is no reason to restart the program.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) error {
	send(w, http.StatusOK, "text/plain; charset=utf-8", []byte("alive\n"))
	return nil
}

func (s *Server) readyz(w http.ResponseWriter, r *http.Request) error {
	if err := s.opt.Ready(r.Context()); err != nil {
		return &publicError{status: http.StatusServiceUnavailable, text: "not ready: " + err.Error()}
	}
	send(w, http.StatusOK, "text/plain; charset=utf-8", []byte("ready\n"))
	return nil
}

func problemText(w http.ResponseWriter, status int, text string) {
	send(w, status, "text/plain; charset=utf-8", []byte(text+"\n"))
}

func problemJSON(w http.ResponseWriter, status int, text string) {
	body, err := json.Marshal(struct {
		Error string `json:"error"`
	}{text})
	if err != nil {
		panic("web: a string could not be encoded: " + err.Error()) // encoding/json encodes every string
	}
	send(w, status, "application/json", append(body, '\n'))
}

// send writes a whole answer. A write that fails means that the reader has
// left, and there is nobody to tell.
func send(w http.ResponseWriter, status int, contentType string, body []byte) {
	w.Header().Set("Content-Type", contentType)
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = io.Copy(w, bytes.NewReader(body))
}

// guard sets the headers that every answer carries, bounds request bodies and
// refuses requests that another site makes in a reader's name.
func (s *Server) guard(next http.Handler) http.Handler {
	limited := http.MaxBytesHandler(next, maxBodyBytes)
	protected := http.NewCrossOriginProtection().Handler(limited)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self' data:; "+
			"base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin") // with none, browsers name no origin when they post
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if s.opt.Secure {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead && !namesThisMachine(r.Host) && (s.opt.Named == nil || !s.opt.Named(r.Host)) {
			problemText(w, http.StatusForbidden, "What is put on record is taken under a name of this machine only: 127.0.0.1, [::1] or localhost; or under that of web.address in the configuration.")
			return
		}
		protected.ServeHTTP(w, r)
	})
}

// open lets anybody in, for pages that listen on this machine only.
func open(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Anyone())))
	})
}

// namesThisMachine says whether a Host header is a loopback name. A foreign name that
// was pointed at this machine makes a foreign page count as of the same origin, and
// there is no sign-in that would tell its reader from a person who may act.
func namesThisMachine(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	}
	ip, err := netip.ParseAddr(name)
	return name == "localhost" || err == nil && ip.Unmap().IsLoopback()
}
