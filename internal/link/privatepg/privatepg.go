package privatepg

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	// port only names the socket file; there is no TCP listener.
	port = "5432"
	// patience is how long each way of stopping gets.
	patience = 30 * time.Second
)

// ErrInUse says that another program runs the cluster of the directory.
var ErrInUse = errors.New("the database cluster is in use by another program")

// Options says where the cluster lies and how it is run.
type Options struct {
	// Dir is the program's data directory; the cluster lies in Dir/postgres.
	Dir string
	// BinDir is the directory of initdb and postgres; empty means the newest
	// that is installed, of the data's major version if there is data.
	BinDir string
	// RunAs is the system account of the server when this program is root;
	// empty means postgres.
	RunAs string
	// Settings are further server settings by name; they win over the
	// package's own.
	Settings map[string]string
	// Log receives what the server writes; nil discards it.
	Log *slog.Logger
}

// Cluster is a running cluster, a child of this program. Its methods are safe
// for concurrent use.
type Cluster struct {
	url      string
	socket   string // directory of the socket
	data     string
	lock     *os.File
	output   *serverLog
	process  *os.Process
	done     chan struct{}
	patience time.Duration
}

// Start makes the cluster if there is none, starts it and waits until it
// answers. ctx bounds only the start; the cluster runs until Stop. It returns
// ErrInUse when another program runs the cluster. Every error leaves nothing
// running.
func Start(ctx context.Context, o Options) (_ *Cluster, err error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	p, err := prepare(ctx, o)
	if err != nil {
		return nil, fmt.Errorf("private database: %w", err)
	}
	defer func() {
		if err != nil {
			_ = p.lock.Close()
		}
	}()
	c := &Cluster{
		url: connection(p.socket, port, name), socket: p.socket, data: p.data, lock: p.lock, done: make(chan struct{}), patience: patience,
		output: &serverLog{log: o.Log.With("component", "postgres")},
	}
	if err := c.launch(p, o.Settings); err != nil {
		return nil, fmt.Errorf("private database: start %s: %w", p.bin.path("postgres"), err)
	}
	if err := c.awaitReady(ctx, p); err != nil {
		return nil, errors.Join(fmt.Errorf("private database: %w", err), c.Stop(context.WithoutCancel(ctx)))
	}
	return c, nil
}

// place is all that a start needs to know.
type place struct {
	data, socket string
	bin          binaries
	account      account
	lock         *os.File
}

// prepare takes the lock and brings the directory into a state in which the
// server can start: initialised, of the right version, without an orphan.
func prepare(ctx context.Context, o Options) (p place, err error) {
	if err := os.MkdirAll(o.Dir, 0o755); err != nil {
		return p, err
	}
	dir, err := resolve(o.Dir)
	if err != nil {
		return p, err
	}
	home := filepath.Join(dir, "postgres")
	p.data = filepath.Join(home, "data")
	major, err := dataMajor(p.data)
	if err != nil {
		return p, err
	}
	if p.bin, err = findBinaries(ctx, o.BinDir, packaged, major); err != nil {
		return p, err
	}
	if p.account, err = findAccount(o.RunAs); err != nil {
		return p, err
	}
	if err := p.account.checkReach(dir); err != nil {
		return p, err
	}
	if err := p.account.ownDirectory(home); err != nil {
		return p, err
	}
	if p.lock, err = takeLock(filepath.Join(home, "data.lock")); err != nil {
		return p, err
	}
	defer func() {
		if err != nil {
			_ = p.lock.Close()
		}
	}()
	if major, err = dataMajor(p.data); err != nil {
		return p, err
	}
	if major == 0 {
		o.Log.Info("making the database cluster", "component", "postgres", "dir", home, "version", p.bin.major)
		if err := initialise(ctx, home, p.bin, p.account); err != nil {
			return p, err
		}
	}
	orphan, err := stopOrphan(ctx, p.data)
	if err != nil {
		return p, err
	}
	if orphan {
		o.Log.Warn("stopped a database server that had outlived its program", "component", "postgres", "dir", home)
	}
	if err := writeAccess(p.data, p.account); err != nil {
		return p, err
	}
	p.socket, err = socketDirectory(home, p.account)
	return p, err
}

// resolve gives the absolute path without symbolic links: the server reports
// its directory that way.
func resolve(dir string) (string, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	return filepath.EvalSymlinks(abs)
}

// takeLock takes the lock that lives as long as the file is open. Children do
// not inherit it.
func takeLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%w: %s is locked — stop the other program, or use another data directory", ErrInUse, path)
		}
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	return f, nil
}

// launch starts the postmaster. The parent-death signal belongs to the thread
// that forks, so one goroutine keeps its thread from fork to wait.
func (c *Cluster) launch(p place, settings map[string]string) error {
	cmd := exec.Command(p.bin.path("postgres"), arguments(p, settings)...)
	cmd.Dir, cmd.Env, cmd.SysProcAttr = p.data, environment(), p.account.attributes(syscall.SIGINT)
	cmd.Stderr, cmd.WaitDelay = c.output, 5*time.Second
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		// The exit code says less than the log does, and Done tells the rest.
		_ = cmd.Wait()
		close(c.done)
	}()
	if err := <-started; err != nil {
		return err
	}
	c.process = cmd.Process
	return nil
}

func arguments(p place, extra map[string]string) []string {
	settings := map[string]string{
		"listen_addresses":        "",
		"unix_socket_permissions": "0700",
		"cluster_name":            name,
		"shared_buffers":          "64MB",
		"max_connections":         "40",
		"wal_compression":         "on",
		"checkpoint_timeout":      "15min",
		"synchronous_commit":      "on",
		"logging_collector":       "off",
		"log_destination":         "stderr",
		"log_line_prefix":         "",
		"timezone":                "UTC",
	}
	maps.Copy(settings, extra)
	args := []string{"-D", p.data, "-k", p.socket, "-p", port}
	for _, key := range slices.Sorted(maps.Keys(settings)) {
		args = append(args, "-c", key+"="+settings[key])
	}
	return args
}

// awaitReady waits until our own child, and no other server behind the same
// socket, takes connections, and makes the database.
func (c *Cluster) awaitReady(ctx context.Context, p place) error {
	tick := time.NewTicker(glance)
	defer tick.Stop()
	for {
		file, ok, err := readPidFile(p.data)
		if err != nil {
			return err
		}
		if ok && file.ready && file.pid == c.process.Pid {
			return makeDatabase(ctx, connection(p.socket, port, "postgres"))
		}
		select {
		case <-tick.C:
		case <-c.done:
			return fmt.Errorf("the server ended while starting: %s", c.output.tail())
		case <-ctx.Done():
			return fmt.Errorf("waiting for the server: %w: %s", ctx.Err(), c.output.tail())
		}
	}
}

func makeDatabase(ctx context.Context, server string) error {
	conn, err := pgx.Connect(ctx, server)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	var exists bool
	if err := conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name).Scan(&exists); err != nil {
		return err
	}
	if !exists {
		_, err = conn.Exec(ctx, "CREATE DATABASE "+name)
	}
	return err
}

func connection(socket, port, database string) string {
	q := url.Values{"host": {socket}, "port": {port}, "user": {name}}
	return (&url.URL{Scheme: "postgres", Path: "/" + database, RawQuery: q.Encode()}).String()
}

// Attach finds the cluster that another program runs in Options.Dir and gives
// its URL; running is false when there is none. It waits while that server is
// starting, until ctx ends. It starts and stops nothing.
func Attach(ctx context.Context, o Options) (url string, running bool, err error) {
	dir, err := resolve(o.Dir)
	if errors.Is(err, os.ErrNotExist) {
		return "", false, nil
	}
	if err != nil {
		return "", false, fmt.Errorf("private database: %w", err)
	}
	data := filepath.Join(dir, "postgres", "data")
	await(ctx, patience, func() bool {
		var p pidFile
		var ok bool
		if p, ok, err = readPidFile(data); err != nil || !ok || !p.livesIn(data) {
			return true
		}
		running = p.ready
		url = connection(p.socket, p.port, name)
		return running
	})
	switch {
	case errors.Is(err, os.ErrPermission):
		return "", false, fmt.Errorf("private database: %w — run this as root or as the user that the daemon runs as", err)
	case err != nil:
		return "", false, fmt.Errorf("private database: %w", err)
	case url != "" && !running:
		return "", false, fmt.Errorf("private database: the server in %s is starting or stopping — try again in a moment", data)
	}
	return url, running, nil
}

// URL is the connection string of the database. It holds no secret: the socket
// admits by user.
func (c *Cluster) URL() string { return c.url }

// Done is closed when the postmaster has ended, by Stop or by a crash. After a
// crash the caller calls Stop, which frees the directory, and may Start again.
func (c *Cluster) Done() <-chan struct{} { return c.done }

// Stop shuts the server down (SIGINT: clients are cut off, data is written), and
// after 30 s or when ctx ends at once (SIGQUIT: the next start recovers). It
// returns when the postmaster has ended. Further calls do nothing.
func (c *Cluster) Stop(ctx context.Context) error {
	defer func() { _ = c.lock.Close() }()
	c.output.stopping.Store(true)
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT} {
		if err := c.process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return fmt.Errorf("stop the private database: %w", err)
		}
		limit := time.NewTimer(c.patience)
		defer limit.Stop()
		select {
		case <-c.done:
			return c.removeShortSocket()
		case <-limit.C:
		case <-ctx.Done():
			// A context that is over cuts the first wait short, not the second.
			ctx = context.WithoutCancel(ctx)
		}
	}
	return fmt.Errorf("stop the private database: postmaster %d does not end — look at what it waits for (disk full, stopped debugger)", c.process.Pid)
}

// removeShortSocket leaves nothing behind in the temporary directory.
func (c *Cluster) removeShortSocket() error {
	if filepath.Dir(c.socket) == filepath.Dir(c.data) {
		return nil
	}
	err := os.Remove(c.socket)
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ENOTEMPTY) {
		return nil
	}
	return err
}

// serverLog passes the server's lines on and keeps the last ones for an error
// text.
type serverLog struct {
	log      *slog.Logger
	stopping atomic.Bool

	mu   sync.Mutex // guards the rest
	rest []byte     // a line without its end yet
	last []string
}

const lastKept = 8

// Write takes a piece of the server's output.
func (s *serverLog) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.rest = append(s.rest, p...)
	for {
		line, after, found := bytes.Cut(s.rest, []byte("\n"))
		if !found {
			return len(p), nil
		}
		text := string(bytes.TrimSpace(line))
		s.rest = append([]byte(nil), after...)
		s.last = append(s.last, text)
		s.last = s.last[max(0, len(s.last)-lastKept):]
		s.log.Log(context.Background(), s.level(text), text)
	}
}

// level: errors of single statements reach their caller and connections that
// end with the server are expected; what stops the server is for the operator.
func (s *serverLog) level(line string) slog.Level {
	switch {
	case strings.HasPrefix(line, "PANIC:"):
		return slog.LevelError
	case strings.HasPrefix(line, "FATAL:") && !s.stopping.Load():
		return slog.LevelWarn
	default:
		return slog.LevelDebug
	}
}

func (s *serverLog) tail() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return strings.Join(s.last, "; ")
}
