package privatepg

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// childDir tells the re-executed test binary to run a cluster there.
const childDir = "CURETALLY_TEST_CLUSTER_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		os.Exit(runUntilKilled(dir))
	}
	os.Exit(m.Run())
}

// runUntilKilled is the program that a test kills.
func runUntilKilled(dir string) int {
	c, err := Start(context.Background(), Options{Dir: dir})
	if err != nil {
		fmt.Println("failed:", err)
		return 1
	}
	fmt.Println("ready", c.process.Pid)
	<-c.Done()
	return 0
}

// openDir is a temporary directory that the server's account can reach.
func openDir(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.Chmod(filepath.Dir(dir), 0o711); err != nil {
		t.Fatal(err)
	}
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		t.Fatal(err)
	}
	return real
}

func start(t *testing.T, o Options) *Cluster {
	t.Helper()
	c, err := Start(t.Context(), o)
	if err != nil {
		t.Fatalf("Start: %v", err)
	}
	t.Cleanup(func() {
		if err := c.Stop(context.Background()); err != nil {
			t.Errorf("Stop: %v", err)
		}
	})
	return c
}

func query[T any](t *testing.T, url, sql string) T {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatalf("connect %s: %v", url, err)
	}
	defer conn.Close(context.Background())
	var v T
	if err := conn.QueryRow(t.Context(), sql).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

func TestCluster_KeepsDataFromStartToStart(t *testing.T) {
	dir := openDir(t)
	c := start(t, Options{Dir: dir})
	if got := query[string](t, c.URL(), "SELECT current_database() || ' ' || current_user"); got != "curetally curetally" {
		t.Errorf("database and role are %q, expected curetally curetally", got)
	}
	query[int](t, c.URL(), "WITH x AS (SELECT 1) SELECT 1 FROM x")
	conn, err := pgx.Connect(t.Context(), c.URL())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Exec(t.Context(), "CREATE TABLE kept AS SELECT 42 AS n"); err != nil {
		t.Fatal(err)
	}
	if got := query[string](t, c.URL(), "SHOW listen_addresses"); got != "" {
		t.Errorf("the server listens on %q, expected only its socket", got)
	}
	// Ctrl-C reaches every process in the group of the terminal.
	if group, err := syscall.Getpgid(c.process.Pid); err != nil || group == syscall.Getpgrp() {
		t.Errorf("the server is in process group %d (%v), expected one of its own", group, err)
	}
	// A connection is still open: a fast shutdown does not wait for it.
	if err := c.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	<-c.Done()
	if err := c.Stop(t.Context()); err != nil {
		t.Errorf("second Stop: %v", err)
	}
	conn.Close(context.Background())
	if url, running, err := Attach(t.Context(), Options{Dir: dir}); err != nil || running || url != "" {
		t.Errorf("Attach after Stop: %q %v %v, expected nothing running", url, running, err)
	}

	again := start(t, Options{Dir: dir})
	if got := query[int](t, again.URL(), "SELECT n FROM kept"); got != 42 {
		t.Errorf("kept row holds %d, expected 42", got)
	}
	url, running, err := Attach(t.Context(), Options{Dir: dir})
	if err != nil || !running || url != again.URL() {
		t.Errorf("Attach: %q %v %v, expected %q", url, running, err, again.URL())
	}
}

// TestStart_OnExistingData runs one after another on the same cluster: making
// one takes longer than all of these.
func TestStart_OnExistingData(t *testing.T) {
	dir := openDir(t)
	for _, c := range []struct {
		name string
		run  func(t *testing.T, dir string)
	}{
		{"runs unprivileged", runsUnprivileged},
		{"second is refused", secondIsRefused},
		{"after killed parent", afterKilledParent},
		{"replaces orphan", replacesOrphan},
		{"ignores stale pid file", ignoresStalePidFile},
		{"after crash of postmaster", afterCrashOfPostmaster},
		{"ends with its context", endsWithItsContext},
		{"refuses other major", refusesOtherMajor},
	} {
		t.Run(c.name, func(t *testing.T) { c.run(t, dir) })
	}
}

func runsUnprivileged(t *testing.T, dir string) {
	if os.Geteuid() != 0 {
		t.Log("not root: the server runs as this user")
	}
	c := start(t, Options{Dir: dir})
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", c.process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		if uids, ok := strings.CutPrefix(line, "Uid:"); ok && strings.Fields(uids)[0] == "0" {
			t.Errorf("the server runs as root: %s", line)
		}
	}
	for _, sub := range []string{"postgres", "postgres/data", "postgres/run"} {
		info, err := os.Stat(filepath.Join(dir, sub))
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm() != 0o700 {
			t.Errorf("%s has mode %v, expected 0700", sub, info.Mode())
		}
	}
}

func secondIsRefused(t *testing.T, dir string) {
	c := start(t, Options{Dir: dir})
	if _, err := Start(t.Context(), Options{Dir: dir}); !errors.Is(err, ErrInUse) {
		t.Errorf("second Start: %v, expected ErrInUse", err)
	}
	if got := query[int](t, c.URL(), "SELECT 1"); got != 1 {
		t.Error("the first cluster no longer answers")
	}
}

func afterKilledParent(t *testing.T, dir string) {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil || !strings.HasPrefix(line, "ready ") {
		_ = cmd.Process.Kill()
		t.Fatalf("child says %q %v", line, err)
	}
	postmaster, err := strconv.Atoi(strings.TrimSpace(strings.TrimPrefix(line, "ready ")))
	if err != nil {
		t.Fatal(err)
	}
	url, running, err := Attach(t.Context(), Options{Dir: dir})
	if err != nil || !running {
		t.Fatalf("Attach to the child's cluster: %v %v", running, err)
	}
	if got := query[int](t, url, "SELECT 1"); got != 1 {
		t.Errorf("the child's cluster answers %d", got)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	data := filepath.Join(dir, "postgres", "data")
	if !await(t.Context(), patience, func() bool { return !pidFile{pid: postmaster}.livesIn(data) }) {
		t.Fatalf("postmaster %d outlives its killed program", postmaster)
	}
	start(t, Options{Dir: dir})
}

// leaveOrphan starts a postmaster that no program owns, and says when it ends.
func leaveOrphan(t *testing.T, dir string) (pid int, ended <-chan struct{}) {
	t.Helper()
	p, err := prepare(t.Context(), Options{Dir: dir, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer p.lock.Close()
	cmd := exec.Command(p.bin.path("postgres"), arguments(p, nil)...)
	cmd.Env, cmd.SysProcAttr = environment(), p.account.attributes(0)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		_ = cmd.Wait()
		close(done)
	}()
	up := await(t.Context(), patience, func() bool {
		f, ok, err := readPidFile(p.data)
		return err == nil && ok && f.ready
	})
	if !up {
		t.Fatal("the orphan does not start")
	}
	return cmd.Process.Pid, done
}

func replacesOrphan(t *testing.T, dir string) {
	pid, ended := leaveOrphan(t, dir)
	c := start(t, Options{Dir: dir})
	<-ended
	if c.process.Pid == pid {
		t.Error("the orphan was taken for the own child")
	}
	if got := query[int](t, c.URL(), "SELECT 1"); got != 1 {
		t.Errorf("the cluster answers %d", got)
	}
}

func ignoresStalePidFile(t *testing.T, dir string) {
	c := start(t, Options{Dir: dir})
	data := filepath.Join(dir, "postgres", "data")
	raw, err := os.ReadFile(filepath.Join(data, "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	// The number now belongs to another program: the parent of this test.
	_, rest, _ := strings.Cut(string(raw), "\n")
	stale := strconv.Itoa(os.Getppid()) + "\n" + rest
	if err := os.WriteFile(filepath.Join(data, "postmaster.pid"), []byte(stale), 0o600); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(data); err != nil {
		t.Fatal(err)
	} else if err := os.Chown(filepath.Join(data, "postmaster.pid"), owner(info), -1); err != nil {
		t.Fatal(err)
	}
	if _, running, err := Attach(t.Context(), Options{Dir: dir}); err != nil || running {
		t.Errorf("Attach to a stale pid file: %v %v", running, err)
	}
	again := start(t, Options{Dir: dir})
	if got := query[int](t, again.URL(), "SELECT 1"); got != 1 {
		t.Errorf("the cluster answers %d", got)
	}
}

func afterCrashOfPostmaster(t *testing.T, dir string) {
	c := start(t, Options{Dir: dir})
	if err := syscall.Kill(c.process.Pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-c.Done()
	if err := c.Stop(t.Context()); err != nil {
		t.Fatalf("Stop after a crash: %v", err)
	}
	again := start(t, Options{Dir: dir})
	if got := query[int](t, again.URL(), "SELECT 1"); got != 1 {
		t.Errorf("the cluster answers %d", got)
	}
}

func refusesOtherMajor(t *testing.T, dir string) {
	c := start(t, Options{Dir: dir})
	if err := c.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	version := filepath.Join(dir, "postgres/data/PG_VERSION")
	if err := os.WriteFile(version, []byte("13\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Start(t.Context(), Options{Dir: dir})
	if err == nil || !strings.Contains(err.Error(), "PostgreSQL 13") || !strings.Contains(err.Error(), "postgresql-13") {
		t.Errorf("Start on data of version 13: %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "postgres/data/base")); err != nil {
		t.Errorf("the refused data was touched: %v", err)
	}
}

func TestStart_RemovesHalfInitialisation(t *testing.T) {
	dir := openDir(t)
	half := filepath.Join(dir, "postgres", "data.new", "base")
	a, err := findAccount("")
	if err != nil {
		t.Fatal(err)
	}
	if err := a.ownDirectory(filepath.Join(dir, "postgres")); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(half, 0o700); err != nil {
		t.Fatal(err)
	}
	c := start(t, Options{Dir: dir})
	if got := query[int](t, c.URL(), "SELECT 1"); got != 1 {
		t.Errorf("the cluster answers %d", got)
	}
	if _, err := os.Stat(filepath.Dir(half)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("data.new is still there: %v", err)
	}
}

func TestStart_LongPathGetsShortSocket(t *testing.T) {
	dir := filepath.Join(openDir(t), strings.Repeat("long", 20), strings.Repeat("path", 10))
	c := start(t, Options{Dir: dir})
	if got := query[int](t, c.URL(), "SELECT 1"); got != 1 {
		t.Errorf("the cluster answers %d", got)
	}
	url, running, err := Attach(t.Context(), Options{Dir: dir})
	if err != nil || !running || url != c.URL() {
		t.Errorf("Attach: %q %v %v, expected %q", url, running, err, c.URL())
	}
	if err := c.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(c.socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the short directory %s is left behind: %v", c.socket, err)
	}
}

func TestStart_SaysWhatIsInTheWay(t *testing.T) {
	blocked := openDir(t)
	if err := os.Chmod(blocked, 0o700); err != nil {
		t.Fatal(err)
	}
	empty := openDir(t)
	for _, c := range []struct {
		name string
		o    Options
		want []string
	}{
		{"parent not passable", Options{Dir: filepath.Join(blocked, "inner")}, []string{blocked, "chmod o+x", "/var/lib/curetally"}},
		{"no programs", Options{Dir: openDir(t), BinDir: empty}, []string{empty, "apt-get install postgresql"}},
		{"unknown account", Options{Dir: openDir(t), RunAs: "no-such-account"}, []string{"no-such-account", "install"}},
		{"shared account", Options{Dir: openDir(t), RunAs: "nobody"}, []string{"nobody", "postgres"}},
		{"root", Options{Dir: openDir(t), RunAs: "root"}, []string{"root", "postgres"}},
		{"bad setting", Options{Dir: openDir(t), Settings: map[string]string{"shared_buffers": "much"}}, []string{"shared_buffers"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Start(t.Context(), c.o)
			if err == nil {
				_ = got.Stop(t.Context())
				t.Fatal("Start succeeded")
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("error %q does not mention %q", err, w)
				}
			}
		})
	}
}

func TestFindBinaries_NoneInstalled(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	_, err := findBinaries(t.Context(), "", filepath.Join(t.TempDir(), "*/bin"), 0)
	if err == nil || !strings.Contains(err.Error(), "apt-get install postgresql") {
		t.Errorf("findBinaries: %v, expected the remedy", err)
	}
}

func endsWithItsContext(t *testing.T, dir string) {
	first := start(t, Options{Dir: dir})
	if err := first.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Nanosecond)
	defer cancel()
	if _, err := Start(ctx, Options{Dir: dir}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Start: %v, expected the deadline", err)
	}
	start(t, Options{Dir: dir})
}
