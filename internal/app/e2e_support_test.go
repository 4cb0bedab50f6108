package app_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"curetally/internal/app"
	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/store"
)

// patience bounds what a test waits for a process outside; it is no assertion.
const patience = 2 * time.Minute

// TestMain removes what the tests of this process share.
func TestMain(m *testing.M) {
	code := m.Run()
	if err := os.RemoveAll(scratch()); err != nil {
		fmt.Fprintln(os.Stderr, "remove shared files of the tests:", err)
	}
	os.Exit(code)
}

// scratch is the directory that all tests of this process share.
func scratch() string {
	return filepath.Join(os.TempDir(), "curetally-e2e-"+strconv.Itoa(os.Getpid()))
}

// built is the program, built once per test process with the race detector, so
// that a race in the real process is found too.
var built = sync.OnceValues(func() (string, error) {
	if err := os.MkdirAll(scratch(), 0o755); err != nil {
		return "", err
	}
	path := filepath.Join(scratch(), "curetally")
	build := exec.Command("go", "build", "-race", "-o", path, "./cmd/curetally")
	build.Dir = filepath.Join("..", "..")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the program: %w: %s", err, out)
	}
	return path, nil
})

func program(t *testing.T) string {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// tool finds a program of a Debian package.
func tool(t *testing.T, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		// Debian keeps daemons out of the search path of ordinary users.
		path = filepath.Join("/usr/sbin", name)
		if _, err := os.Stat(path); err != nil {
			t.Fatalf("%s is missing: apt-get install %s", name, pkg)
		}
	}
	return path
}

// openDir is a temporary directory that the account of the database server can
// reach.
func openDir(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, d := range []string{filepath.Dir(dir), dir} {
		if err := os.Chmod(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		t.Fatal(err)
	}
	return real
}

// freeAddress is a loopback address at which nobody listens.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}()
	return l.Addr().String()
}

// output collects what a process writes.
type output struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

// lines counts the lines that hold all words.
func (o *output) lines(words ...string) int {
	n := 0
	for line := range strings.Lines(o.String()) {
		all := true
		for _, w := range words {
			all = all && strings.Contains(line, w)
		}
		if all {
			n++
		}
	}
	return n
}

// process is a child of the test.
type process struct {
	t              *testing.T
	name           string
	cmd            *exec.Cmd
	stdout, stderr output
	ended          chan struct{}
	err            error // of Wait; read after ended
}

// launch starts a program; it is killed at the end of the test if it still runs
// then, and by the kernel if the test process is killed.
func launch(t *testing.T, path string, args ...string) *process {
	t.Helper()
	p := &process{t: t, name: filepath.Base(path) + " " + strings.Join(args, " "), cmd: exec.Command(path, args...), ended: make(chan struct{})}
	p.cmd.Stdout, p.cmd.Stderr = &p.stdout, &p.stderr
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	p.cmd.WaitDelay = 10 * time.Second
	started := make(chan error)
	go func() {
		// The parent-death signal belongs to the thread that forks.
		runtime.LockOSThread()
		err := p.cmd.Start()
		started <- err
		if err == nil {
			p.err = p.cmd.Wait()
			close(p.ended)
		}
	}()
	if err := <-started; err != nil {
		t.Fatalf("start %s: %v", p.name, err)
	}
	t.Cleanup(p.kill)
	return p
}

// kill ends the process as kill -9 does, without a chance to tidy up.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // an error says that it has ended already
	<-p.ended
	if strings.Contains(p.stderr.String(), "DATA RACE") {
		p.t.Errorf("%s: %s", p.name, p.stderr.String())
	}
}

// stop asks the process to end and expects an orderly end.
func (p *process) stop(sig os.Signal) {
	p.t.Helper()
	if err := p.cmd.Process.Signal(sig); err != nil {
		p.t.Fatalf("%s: %v", p.name, err)
	}
	p.wait()
}

// wait expects the process to end by itself with exit code 0.
func (p *process) wait() {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.t.Context(), 10*time.Minute)
	defer cancel()
	select {
	case <-p.ended:
	case <-ctx.Done():
		p.t.Fatalf("%s does not end: %s", p.name, p.stderr.String())
	}
	if p.err != nil {
		p.t.Fatalf("%s: %v\n%s", p.name, p.err, p.stderr.String())
	}
}

// until waits until holds is true, for as long as the process lives.
func (p *process) until(what string, holds func() bool) {
	p.t.Helper()
	waitFor(p.t, what, p.ended, p.stderr.String, holds)
}

// url is where the daemon's pages are, from the line that says so.
func (p *process) url() string {
	p.t.Helper()
	var url string
	p.until("the address of the pages", func() bool {
		_, after, found := strings.Cut(p.stderr.String(), "pages at ")
		var whole bool
		url, _, whole = strings.Cut(after, "\n")
		return found && whole
	})
	return url
}

// eventually waits until holds is true.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	waitFor(t, what, nil, func() string { return "" }, holds)
}

func waitFor(t *testing.T, what string, ended <-chan struct{}, said func() string, holds func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-ctx.Done():
			t.Fatalf("waited %v in vain for %s\n%s", patience, what, said())
		case <-ended:
			t.Fatalf("the process ended while waiting for %s\n%s", what, said())
		case <-tick.C:
		}
	}
}

// fetch gives the status and body of a page; status is 0 when nobody answers.
func fetch(t *testing.T, url string) (status int, body []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	client := http.Client{Timeout: 20 * time.Second}
	resp, err := client.Do(req)
	if err != nil {
		return 0, nil
	}
	defer func() { _ = resp.Body.Close() }()
	if body, err = io.ReadAll(resp.Body); err != nil {
		return 0, nil
	}
	return resp.StatusCode, body
}

// scrape reads the daemon's metrics by name with labels, as they are exposed.
func scrape(t *testing.T, url string) map[string]float64 {
	t.Helper()
	_, body := fetch(t, url+"/metrics")
	out := map[string]float64{}
	for line := range strings.Lines(string(body)) {
		name, value, found := strings.Cut(strings.TrimSpace(line), " ")
		if !found || strings.HasPrefix(line, "#") {
			continue
		}
		// A label value of the plant holds no space.
		v, err := strconv.ParseFloat(value, 64)
		if err != nil {
			continue
		}
		out[name] = v
	}
	return out
}

// open opens the store of a configuration as commands do.
func open(t *testing.T, path string) (*store.DB, *plant.Plant) {
	t.Helper()
	conf, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	db, end, err := app.OpenStore(t.Context(), conf, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := end(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return db, &conf.Plant
}

// leftovers lists the command lines of processes that name the directory.
func leftovers(t *testing.T, dir string) []string {
	t.Helper()
	all, err := filepath.Glob("/proc/[0-9]*/cmdline")
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, path := range all {
		raw, err := os.ReadFile(path)
		if err == nil && bytes.Contains(raw, []byte(dir)) { // an error says that it has just ended
			out = append(out, string(bytes.ReplaceAll(raw, []byte{0}, []byte(" "))))
		}
	}
	return out
}
