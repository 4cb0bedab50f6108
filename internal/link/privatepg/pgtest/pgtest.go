// Package pgtest gives tests a database of their own on a real PostgreSQL
// server. One private cluster is started per test process, with the first
// database that is asked for, in a temporary directory; the kernel stops it
// when the process ends, however it ends.
//
// Durability is switched off, because no test outlives its process: do not
// measure the speed of commits here; NewDurable is for that. The directories of
// earlier processes are removed by the next process that starts a cluster,
// since nobody can remove a directory after its own end.
package pgtest

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"curetally/internal/link/privatepg"
)

// prefix begins the names of the temporary directories; the process id follows.
const prefix = "curetally-pgtest-"

// The clusters of this process. There is no other place that all tests of a
// process share; each is written once.
var (
	volatile = sync.OnceValues(func() (*server, error) {
		return start(map[string]string{"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "max_connections": "200"})
	})
	durable = sync.OnceValues(func() (*server, error) {
		return start(map[string]string{"max_wal_size": "8GB"})
	})
)

type server struct {
	cluster *privatepg.Cluster
	count   atomic.Int64
}

// New gives the URL of an empty database that is dropped when the test ends. It
// fails the test when no PostgreSQL server programs are installed.
func New(t testing.TB) string {
	t.Helper()
	return database(t, volatile)
}

// NewDurable is like New, on a cluster that syncs every commit to disk.
func NewDurable(t testing.TB) string {
	t.Helper()
	return database(t, durable)
}

func database(t testing.TB, get func() (*server, error)) string {
	t.Helper()
	s, err := get()
	if err != nil {
		t.Fatalf("test database: %v", err)
	}
	name := fmt.Sprintf("test_%d", s.count.Add(1))
	s.exec(t, "CREATE DATABASE "+name)
	t.Cleanup(func() { s.exec(t, "DROP DATABASE "+name+" WITH (FORCE)") })
	u, err := url.Parse(s.cluster.URL())
	if err != nil {
		t.Fatalf("test database: %v", err)
	}
	u.Path = "/" + name
	return u.String()
}

func (s *server) exec(t testing.TB, sql string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	conn, err := pgx.Connect(ctx, s.cluster.URL())
	if err != nil {
		t.Fatalf("test database: %v", err)
	}
	defer func() { _ = conn.Close(ctx) }()
	if _, err := conn.Exec(ctx, sql); err != nil {
		t.Fatalf("test database: %s: %v", sql, err)
	}
}

func start(settings map[string]string) (*server, error) {
	if err := removeLeftovers(); err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", prefix+strconv.Itoa(os.Getpid())+"-")
	if err != nil {
		return nil, err
	}
	// The server's account must be able to pass through.
	if err := os.Chmod(dir, 0o711); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	c, err := privatepg.Start(ctx, privatepg.Options{Dir: dir, Settings: settings})
	if err != nil {
		return nil, err
	}
	return &server{cluster: c}, nil
}

// removeLeftovers removes the clusters of processes that have ended. A server
// that is still stopping keeps its directory until the next time.
func removeLeftovers() error {
	old, err := filepath.Glob(filepath.Join(os.TempDir(), prefix+"*"))
	if err != nil {
		return err
	}
	for _, dir := range old {
		number, _, _ := strings.Cut(strings.TrimPrefix(filepath.Base(dir), prefix), "-")
		pid, err := strconv.Atoi(number)
		if err != nil || syscall.Kill(pid, 0) == nil {
			continue
		}
		if _, err := os.Stat(filepath.Join(dir, "postgres/data/postmaster.pid")); err == nil {
			continue
		}
		// Another test process may be removing the same one.
		_ = os.RemoveAll(dir)
	}
	return nil
}
