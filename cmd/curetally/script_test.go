package main

import (
	"bytes"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"curetally/internal/link/privatepg/pgtest"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"curetally": main})
}

// Each script has a database of its own in the file database-url, and in $BUSY
// an address on which somebody else listens.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:  "testdata/script",
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"wrong": wrong, "figures": figures},
		Setup: func(env *testscript.Env) error {
			// The account of the private database must be able to pass through.
			for _, dir := range []string{filepath.Dir(env.WorkDir), env.WorkDir} {
				if err := os.Chmod(dir, 0o755); err != nil {
					return err
				}
			}
			taken, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				return err
			}
			env.Defer(func() { _ = taken.Close() })
			env.Setenv("BUSY", taken.Addr().String())
			return os.WriteFile(filepath.Join(env.WorkDir, "database-url"), []byte(pgtest.New(t)+"\n"), 0o600)
		},
	})
}

// wrong runs curetally with arguments that must be refused as a wrong call, with
// nothing on standard output and a line and a hint on standard error.
func wrong(ts *testscript.TestScript, neg bool, args []string) {
	if neg {
		ts.Fatalf("wrong: expected without !")
	}
	failed, ok := errors.AsType[*exec.ExitError](ts.Exec("curetally", args...))
	if !ok || failed.ExitCode() != exitUsage {
		ts.Fatalf("exit code is not %d", exitUsage)
	}
	if out := ts.ReadFile("stdout"); out != "" {
		ts.Fatalf("standard output is %q", out)
	}
	if lines := strings.Split(ts.ReadFile("stderr"), "\n"); len(lines) != 3 || !strings.HasPrefix(lines[1], "see curetally ") {
		ts.Fatalf("standard error is not a line and a hint")
	}
}

// What is handed out as an example is free of problems.
func TestExampleConfigurations(t *testing.T) {
	files, err := filepath.Glob("../../configs/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no example configurations: %v", err)
	}
	for _, f := range files {
		out := command(t, exitOK, "check", f)
		if !strings.HasPrefix(out, f+": ok: presses ") {
			t.Errorf("check says %q", out)
		}
	}
}

// command runs the command line within this process and gives what it prints. It
// fails the test when the exit code is another, or when a command that worked
// wrote to standard error.
func command(t *testing.T, code int, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if got := run(t.Context(), args, &out, &errs); got != code {
		t.Fatalf("curetally %s: exit code %d, want %d\n%s%s", strings.Join(args, " "), got, code, &out, &errs)
	}
	if code == exitOK && errs.Len() > 0 {
		t.Errorf("curetally %s writes to standard error:\n%s", strings.Join(args, " "), &errs)
	}
	return out.String()
}
