package privatepg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// glance is the distance of two looks at something that gives no notice: a
// pid file, a process that is not our child.
const glance = 20 * time.Millisecond

// pidFile is what a postmaster writes about itself into postmaster.pid.
type pidFile struct {
	pid    int
	socket string // directory of the socket
	port   string
	ready  bool
}

// readPidFile reads data/postmaster.pid; ok is false when there is none or when
// it is not complete yet.
func readPidFile(data string) (p pidFile, ok bool, err error) {
	raw, err := os.ReadFile(filepath.Join(data, "postmaster.pid"))
	if errors.Is(err, os.ErrNotExist) {
		return pidFile{}, false, nil
	}
	if err != nil {
		return pidFile{}, false, err
	}
	lines := strings.Split(string(raw), "\n")
	if p.pid, err = strconv.Atoi(strings.TrimSpace(lines[0])); err != nil {
		return pidFile{}, false, nil
	}
	if len(lines) > 4 {
		p.port, p.socket = lines[3], lines[4]
	}
	if len(lines) > 7 {
		p.ready = strings.TrimSpace(lines[7]) == "ready"
	}
	return p, true, nil
}

// livesIn says whether the process is a postmaster of this data directory. A
// number in a stale file may meanwhile belong to any other program.
func (p pidFile) livesIn(data string) bool {
	proc := filepath.Join("/proc", strconv.Itoa(p.pid))
	exe, err := os.Readlink(filepath.Join(proc, "exe"))
	if err != nil || filepath.Base(strings.TrimSuffix(exe, " (deleted)")) != "postgres" {
		return false
	}
	cwd, err := os.Readlink(filepath.Join(proc, "cwd"))
	return err == nil && cwd == data
}

// stopOrphan ends a postmaster that has outlived its program. The caller holds
// the lock, so no program owns it.
func stopOrphan(ctx context.Context, data string) (found bool, err error) {
	p, ok, err := readPidFile(data)
	if err != nil || !ok || !p.livesIn(data) {
		return false, err
	}
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT} {
		if err := syscall.Kill(p.pid, sig); err != nil && !errors.Is(err, syscall.ESRCH) {
			return true, fmt.Errorf("stop postmaster %d left over in %s: %w", p.pid, data, err)
		}
		if gone := await(ctx, patience, func() bool { return !p.livesIn(data) }); gone {
			return true, nil
		}
		if err := ctx.Err(); err != nil {
			return true, fmt.Errorf("postmaster %d left over in %s: %w", p.pid, data, err)
		}
	}
	return true, fmt.Errorf("postmaster %d left over in %s does not end — look at what it waits for (disk full, stopped debugger), then start again", p.pid, data)
}

// await looks again and again until the condition holds, the time is over or
// ctx ends, and says whether it holds.
func await(ctx context.Context, limit time.Duration, holds func() bool) bool {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	tick := time.NewTicker(glance)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return false
		}
	}
	return true
}
