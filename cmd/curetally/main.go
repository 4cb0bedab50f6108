// Command curetally measures what a change of curing lamps on printing presses
// really saves, and keeps their upkeep in time. It is a background service with
// a small set of commands for the people who work with it.
//
// Flags are translated here and nothing else happens here: each command opens
// the configuration and the store through package app and prints what comes
// back. One file holds one command.
//
// Exit codes: 0 ok; 1 failed; 2 the command was called wrongly; 3 the command
// worked and found something that a person must look at.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	_ "time/tzdata" // the site's zone is known on machines without zone files

	"github.com/alecthomas/kong"
)

// Exit codes.
const (
	exitOK      = 0
	exitFailed  = 1
	exitUsage   = 2
	exitFinding = 3
)

// errFinding says that a command worked and found something.
var errFinding = errors.New("found something")

// commands is the command line; each field is a command in a file of its own.
type commands struct {
	Run      runCommand      `cmd:"" help:"Run the daemon on a real plant."`
	Demo     demoCommand     `cmd:"" help:"Show everything on one machine with a virtual plant."`
	Check    checkCommand    `cmd:"" help:"Check a configuration file and list every problem."`
	Migrate  migrateCommand  `cmd:"" help:"Bring the database schema up to date."`
	Tasks    tasksCommand    `cmd:"" help:"List upkeep tasks, most urgent first."`
	Done     doneCommand     `cmd:"" help:"Record that a task was carried out."`
	Lamp     lampCommand     `cmd:"" help:"Lamps: fit, remove, list."`
	Exchange exchangeCommand `cmd:"" help:"Declare that a meter register was exchanged."`
	Baseline baselineCommand `cmd:"" help:"Baselines: freeze, show."`
	Savings  savingsCommand  `cmd:"" help:"State the savings against the frozen baseline."`
	Audit    auditCommand    `cmd:"" help:"Rebuild all entries from facts and compare."`
	Version  versionCommand  `cmd:"" help:"Print the version."`
}

// surroundings is what a command gets from the process.
type surroundings struct {
	ctx    context.Context
	stdout io.Writer
	stderr io.Writer
	log    *slog.Logger
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run parses the arguments, runs the command and gives the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	code := -1
	parser, err := kong.New(&commands{},
		kong.Name("curetally"),
		kong.Description("Measured savings and upkeep for curing retrofits on printing presses. The program only reads meters and stations; it is no safety function."),
		kong.UsageOnError(),
		kong.Writers(stdout, stderr),
		kong.Exit(func(c int) { code = c }),
	)
	if err != nil {
		fmt.Fprintln(stderr, "curetally:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	kctx, err := parser.Parse(args)
	if code >= 0 { // --help was asked for
		return code
	}
	if err != nil {
		fmt.Fprintf(stderr, "curetally: %v\nsee curetally --help\n", err)
		return exitUsage
	}
	log := slog.New(slog.NewTextHandler(stderr, nil))
	err = kctx.Run(&surroundings{ctx: ctx, stdout: stdout, stderr: stderr, log: log})
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, errFinding):
		return exitFinding
	default:
		fmt.Fprintln(stderr, "curetally:", err)
		return exitFailed
	}
}

// version gives the version that the build recorded.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			v += " " + s.Value[:12]
		}
	}
	return v
}

type versionCommand struct{}

func (versionCommand) Run(s *surroundings) error {
	_, err := fmt.Fprintln(s.stdout, "curetally", version())
	return err
}
