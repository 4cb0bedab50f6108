// Command curetally measures what a change of curing lamps on printing presses
// really saves, and keeps their upkeep in time. It is a background service with
// a small set of commands for the people who work with it.
//
// Flags are translated here and nothing else happens here: each command opens
// what it needs through package app and prints what comes back. One file holds
// one command; those of people at a plant's store are in the packages desk, to
// look, acts, to put on record what was done, and history, to bring facts in and
// take them out.
//
// Exit codes: 0 ok; 1 failed; 2 the command was called wrongly; 3 the command
// worked and found something that a person must look at. A wrong call and a
// failure say on standard error what was expected and what to do about it;
// standard output holds results only.
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
	"strings"
	"syscall"
	_ "time/tzdata" // the site's zone is known on machines without zone files

	"github.com/alecthomas/kong"

	"curetally/cmd/curetally/acts"
	"curetally/cmd/curetally/completion"
	"curetally/cmd/curetally/desk"
	"curetally/cmd/curetally/desk/report"
	"curetally/cmd/curetally/desk/validate"
	"curetally/cmd/curetally/history"
	"curetally/cmd/curetally/offline"
	"curetally/cmd/curetally/people"
	"curetally/cmd/curetally/probe"
	"curetally/internal/link/config"
)

// Exit codes.
const (
	exitOK      = 0
	exitFailed  = 1
	exitUsage   = 2
	exitFinding = 3
)

// commands is the command line; each field is a command in a file of its own.
type commands struct {
	Run        runCommand         `cmd:"" help:"Run the daemon on a real plant."`
	Demo       demoCommand        `cmd:"" help:"Show everything on one machine with a virtual plant."`
	Check      checkCommand       `cmd:"" help:"Check a configuration file and list every problem."`
	Probe      probe.Command      `cmd:"" help:"Read meters live and find what is wrong with their wiring, for the electrician."`
	Migrate    desk.Migrate       `cmd:"" help:"Bring the database schema up to date."`
	Status     desk.Status        `cmd:"" help:"How the plant's records stand; with --calibration, how well due dates hold."`
	Tasks      desk.Tasks         `cmd:"" help:"List upkeep tasks, most urgent first."`
	Stops      desk.Stops         `cmd:"" help:"Propose which tasks to do in which planned stop."`
	Spares     desk.Spares        `cmd:"" help:"Spare lamps: how many will be needed, when to order how many; spent mercury lamps."`
	Done       acts.Done          `cmd:"" help:"Record that a task was carried out."`
	Postpone   acts.Postpone      `cmd:"" help:"Put a task off to a day, with the reason."`
	Skip       acts.Skip          `cmd:"" help:"Leave a task out this time, with the reason; it counts anew."`
	Undo       acts.Undo          `cmd:"" help:"Take back what was last recorded about a task, by a counter-entry."`
	Lamp       lampCommand        `cmd:"" help:"Lamps: receive, fit, remove, dispose, list, life, stock."`
	Exchange   acts.Exchange      `cmd:"" help:"Declare that a meter register was exchanged."`
	Ruling     rulingCommand      `cmd:"" help:"Readings that no rule can judge: list, give a ruling."`
	Baseline   baselineCommand    `cmd:"" help:"Baselines: freeze, show."`
	Savings    savingsCommand     `cmd:"" help:"Savings against the frozen baseline: state, publish, published."`
	Report     report.Command     `cmd:"" help:"Documents about savings: --out, the report for an auditor as a workbook with live formulas; --plan, the measurement-and-verification plan; --before-after; --case, the planned case and what was measured."`
	Adjustment adjustmentCommand  `cmd:"" help:"Non-routine adjustments: add, list."`
	Notice     noticeCommand      `cmd:"" help:"Notices: list, answer, resend."`
	Person     personCommand      `cmd:"" help:"People who may sign in: add, list, role, disable, password."`
	Token      tokenCommand       `cmd:"" help:"Tokens for programs and calendars: make, list, revoke."`
	Validate   validate.Command   `cmd:"" help:"Check what the registers counted: completeness, quality, findings, and how gaps would be estimated."`
	Energy     desk.Energy        `cmd:"" help:"Where energy went: curing, standby, starting, stopped, and what could have been avoided."`
	Audit      desk.Audit         `cmd:"" help:"Rebuild all entries from facts and compare."`
	Import     history.Import     `cmd:"" help:"Bring history in from CSV files: readings, states, signals, lamps."`
	Export     history.Export     `cmd:"" help:"Take facts and entries out as CSV or Parquet."`
	Intervals  intervalsCommand   `cmd:"" help:"Energy per interval from a file of register readings; needs no database."`
	Fit        offline.Fit        `cmd:"" help:"Fit a baseline model to a file of energy and drivers; needs no database."`
	Compare    offline.Compare    `cmd:"" help:"Saving of a reporting file against a baseline file, with its uncertainty; needs no database."`
	Case       offline.Case       `cmd:"" help:"The case for a retrofit from a survey file: energy, cost, carbon, payback, each with its uncertainty; needs no database."`
	LampLife   offline.LampLife   `cmd:"" name:"lamplife" help:"Life statistics from a file of lamps that failed, were changed or still run; needs no database."`
	OutputLife offline.OutputLife `cmd:"" name:"outputlife" help:"Decline of a lamp's output from a file of readings, ageing apart from dirt; needs no database."`
	Completion completion.Command `cmd:"" help:"Print the script by which bash, zsh or fish completes commands and flags."`
	Version    versionCommand     `cmd:"" help:"Print the version."`
}

type lampCommand struct {
	Receive acts.LampReceive `cmd:"" help:"Record that spare lamps came into the store."`
	Fit     acts.LampFit     `cmd:"" help:"Record that a lamp was fitted in a station."`
	Remove  acts.LampRemove  `cmd:"" help:"Record that a lamp was taken out."`
	Dispose acts.LampDispose `cmd:"" help:"Record that spent lamps left the plant."`
	List    desk.LampList    `cmd:"" help:"List all lamps with what they have lived."`
	Life    desk.LampLife    `cmd:"" help:"What the plant's lamps tell about the life of each kind, and what to expect of those that are fitted."`
	Reading acts.LampReading `cmd:"" help:"Record the output of a lamp, read by hand."`
	Output  desk.LampOutput  `cmd:"" help:"How the output of fitted lamps falls, ageing apart from dirt."`
	Check   desk.LampCheck   `cmd:"" help:"Compare the hours of lamps and stations, counted in different ways."`
	Stock   desk.LampStock   `cmd:"" help:"List spares and spent lamps by kind."`
}

type rulingCommand struct {
	List desk.RulingList `cmd:"" help:"List values that wait for a ruling, and the rulings given."`
	Give acts.RulingGive `cmd:"" help:"Rule that a reading is true, is wrong, or begins the register anew."`
}

type baselineCommand struct {
	Freeze acts.BaselineFreeze `cmd:"" help:"Fit a project's baseline on the days on record and freeze it."`
	Show   desk.BaselineShow   `cmd:"" help:"Show a project's frozen baseline."`
}

type savingsCommand struct {
	State     desk.Savings        `cmd:"" default:"withargs" help:"State the savings; what curetally savings alone does."`
	Publish   acts.SavingsPublish `cmd:"" help:"Publish the statement of a period for ever."`
	Published desk.Published      `cmd:"" help:"List published statements, or print one as it was published."`
}

type adjustmentCommand struct {
	Add  acts.AdjustmentAdd  `cmd:"" help:"Record what a change of a static factor added to or took from the energy."`
	List desk.AdjustmentList `cmd:"" help:"List the adjustments on record."`
}

type noticeCommand struct {
	List   desk.NoticeList   `cmd:"" help:"List notices, newest first, with how far each has come."`
	Answer acts.NoticeAnswer `cmd:"" help:"Record that a notice is seen to, so that nobody else is asked."`
	Resend acts.NoticeResend `cmd:"" help:"Send a notice again that could not be delivered."`
}

type personCommand struct {
	Add      people.Add      `cmd:"" help:"Add a person; the password is asked for, or read from standard input."`
	List     people.List     `cmd:"" help:"List people with their roles."`
	Role     people.Role     `cmd:"" help:"Change what a person may do."`
	Disable  people.Disable  `cmd:"" help:"Shut a person out: sessions end, tokens open nothing; with --again let in again."`
	Password people.Password `cmd:"" help:"Set a person's password; it is asked for, or read from standard input."`
}

type tokenCommand struct {
	Make   people.Make   `cmd:"" help:"Make a token for a program or a calendar; it is shown once."`
	List   people.Tokens `cmd:"" help:"List tokens with what they open and when they were used."`
	Revoke people.Revoke `cmd:"" help:"Make a token open nothing any more."`
}

// surroundings is what a command gets from the process.
type surroundings struct {
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

// run parses the arguments, runs the command and gives the exit code. It says
// what went wrong in one line, with a problem of the configuration on each line
// where there are such.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	code := -1
	parser, err := kong.New(&commands{},
		kong.Name("curetally"),
		kong.Description("Measured savings and upkeep for curing retrofits on printing presses. The program only reads meters and stations; it is no safety function."),
		kong.Writers(stdout, stderr),
		kong.Exit(func(c int) { code = c }),
	)
	if err != nil {
		fmt.Fprintln(stderr, "curetally:", err)
		return exitFailed
	}
	if len(args) == 0 {
		fmt.Fprintln(stderr, "curetally: expected a command, for example curetally demo\nsee curetally --help")
		return exitUsage
	}
	kctx, err := parser.Parse(args)
	if code >= 0 { // --help was asked for
		return code
	}
	if err != nil {
		fmt.Fprintf(stderr, "curetally: %v\nsee %s --help\n", err, called(err))
		return exitUsage
	}
	kctx.BindTo(ctx, (*context.Context)(nil))
	log := slog.New(slog.NewTextHandler(stderr, nil))
	err = kctx.Run(
		&surroundings{stdout: stdout, stderr: stderr, log: log},
		desk.Surroundings{Stdout: stdout, Log: log, Version: version()},
	)
	problems, misconfigured := errors.AsType[config.Problems](err)
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, desk.ErrFinding):
		return exitFinding
	case misconfigured:
		fmt.Fprintf(stderr, "%v\ncuretally: the configuration has %s\n", problems, desk.Count(len(problems), "problem"))
	default:
		fmt.Fprintln(stderr, "curetally:", err)
	}
	return exitFailed
}

// called is the command that a wrong call meant, as far as it was understood.
func called(err error) string {
	words := []string{"curetally"}
	if wrong, ok := errors.AsType[*kong.ParseError](err); ok {
		for _, at := range wrong.Context.Path {
			if at.Command != nil {
				words = append(words, at.Command.Name)
			}
		}
	}
	return strings.Join(words, " ")
}

// version gives the version that the build recorded.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 && !strings.Contains(v, s.Value[:12]) {
			v += " " + s.Value[:12]
		}
	}
	return v
}

// writeJSON prints one indented JSON document.
func writeJSON(w io.Writer, v any) error { return desk.WriteJSON(w, v) }

type versionCommand struct{}

func (versionCommand) Run(s *surroundings) error {
	_, err := fmt.Fprintln(s.stdout, "curetally", version())
	return err
}
