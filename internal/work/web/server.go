package web

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"time"
)

// Options are what a Server is built from. All fields before Door are required,
// but for Calendar.
type Options struct {
	Source  Source
	API     http.Handler // answers below /api/v1/, but for the overview
	Pages   http.Handler // answers whatever nothing else does
	Metrics http.Handler // answers GET /metrics
	// Calendar answers GET /calendar.ics and asks for a token itself; nil for none.
	Calendar http.Handler
	// Ready returns nil when the program does its whole job, else an error
	// whose text says what is missing. The text is shown to whoever asks.
	Ready func(ctx context.Context) error
	Log   *slog.Logger

	// Door is put before everything and says who asks (package access); nil where
	// pages are open and listen on this machine only: then it is access.Anyone.
	Door func(next http.Handler) http.Handler
	// Named says whether posts are taken under a Host other than a name of this
	// machine; nil for none. It may be true for all only where Door always asks.
	Named func(host string) bool
	// TLS is used where it is not nil. Secure says that browsers come by TLS, also
	// where a proxy ends it.
	TLS    *tls.Config
	Secure bool
}

// Limits of the server.
const (
	headerTimeout   = 5 * time.Second
	readTimeout     = 15 * time.Second
	writeTimeout    = 60 * time.Second
	idleTimeout     = 2 * time.Minute
	requestTimeout  = 10 * time.Second // for one overview
	shutdownTimeout = 5 * time.Second
	maxHeaderBytes  = 32 << 10
	maxBodyBytes    = 64 << 10
	// maxOverviews bounds how many overviews are computed at the same time;
	// further requests wait their turn for turnTimeout.
	maxOverviews = 4
	turnTimeout  = 3 * time.Second
)

// Server serves the pages. Build it with New.
type Server struct {
	opt     Options
	handler http.Handler
	// turns holds one token per overview that is being computed.
	turns chan struct{}
}

// New builds a server.
func New(opt Options) (*Server, error) {
	switch {
	case opt.Source == nil:
		return nil, errors.New("web: Options.Source is missing")
	case opt.API == nil:
		return nil, errors.New("web: Options.API is missing")
	case opt.Pages == nil:
		return nil, errors.New("web: Options.Pages is missing")
	case opt.Metrics == nil:
		return nil, errors.New("web: Options.Metrics is missing")
	case opt.Ready == nil:
		return nil, errors.New("web: Options.Ready is missing")
	case opt.Log == nil:
		return nil, errors.New("web: Options.Log is missing")
	}
	opt.Log = opt.Log.With("component", "web")
	s := &Server{opt: opt, turns: make(chan struct{}, maxOverviews)}
	door := opt.Door
	if door == nil {
		door = open
	}
	s.handler = s.guard(door(s.routes()))
	return s, nil
}

// routes is the table of everything that is served. Patterns name their method, so
// the mux answers others with 405 itself; the pages do so for theirs.
func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /api/v1/overview", s.answer(problemJSON, s.overviewJSON))
	for _, method := range []string{http.MethodGet, http.MethodPost} {
		mux.Handle(method+" /api/v1/", s.opt.API)
	}
	mux.Handle("GET /metrics", s.opt.Metrics)
	if s.opt.Calendar != nil {
		mux.Handle("GET /calendar.ics", s.opt.Calendar)
	}
	mux.Handle("GET /healthz", s.answer(problemText, s.healthz))
	mux.Handle("GET /readyz", s.answer(problemText, s.readyz))
	for _, method := range []string{http.MethodGet, http.MethodPost} {
		mux.Handle(method+" /", s.opt.Pages)
	}
	return mux
}

// Handler is the whole site, for a server of the caller's own or a test.
func (s *Server) Handler() http.Handler { return s.handler }

// Serve answers on the listener until ctx ends, then lets requests in flight
// finish for up to 5 seconds. It closes the listener and returns nil when all
// requests were answered; it returns only when no connection is left.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	// Requests in flight outlive ctx: a page half written is worth finishing.
	base, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	unasked := &unasked{conns: map[net.Conn]bool{}}
	srv := &http.Server{
		Handler:           s.handler,
		ConnState:         unasked.follow,
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       readTimeout,
		WriteTimeout:      writeTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeaderBytes,
		TLSConfig:         s.opt.TLS,
		BaseContext:       func(net.Listener) context.Context { return base },
		ErrorLog:          slog.NewLogLogger(s.opt.Log.Handler(), slog.LevelWarn),
	}
	ended := make(chan error, 1)
	go func() {
		if s.opt.TLS != nil {
			ended <- srv.ServeTLS(l, "", "")
			return
		}
		ended <- srv.Serve(l)
	}()
	select {
	case err := <-ended:
		return fmt.Errorf("serve pages on %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	bound, done := context.WithTimeout(base, shutdownTimeout)
	defer done()
	unasked.end()
	err := srv.Shutdown(bound)
	if err != nil {
		// Connections first: what gives up then has nobody to answer any more.
		err = fmt.Errorf("end pages on %s within %v: %w", l.Addr(), shutdownTimeout, errors.Join(err, srv.Close()))
		cancel()
	}
	return errors.Join(err, closed(<-ended))
}

// closed is nil for the error that a server returns when it was told to end.
func closed(err error) error {
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// OnLoopback says whether an address ("host:port") can be reached from this
// machine only. Only there may pages stand open without sign-in.
func OnLoopback(addr string) (bool, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false, fmt.Errorf("listen address %q: expected host:port, for example 127.0.0.1:8460: %w", addr, err)
	}
	if host == "localhost" {
		return true, nil
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback(), nil
}
