package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"curetally/internal/core/beforeafter"
	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/config/terms"
)

// Problem is one mistake in a configuration file.
type Problem = strictyaml.Problem

// Problems is the error of Load and Parse: all mistakes, ordered by file and
// line.
type Problems = strictyaml.Problems

// Config is a checked configuration.
type Config struct {
	Plant    plant.Plant
	Settings Settings
	Terms    terms.Terms // what energy is worth
	// BeforeAfter says where the figures of a project's before-and-after table are from.
	BeforeAfter map[plant.ProjectID][]beforeafter.Entry
	// Warnings are what may be so, and yet a person should look at it.
	Warnings []Problem
}

// Settings are what the program needs beside the plant.
type Settings struct {
	// Listen is the host:port of the pages; by default loopback only.
	Listen string
	// DataDir holds private state (spool, private database). Absolute unless
	// the configuration's own path could not be made so.
	DataDir  string
	Database Database
	Spool    Spool
	Broker   Broker
	Notify   Notify
	Web      Web
}

// Spool bounds what waits on disk while the database is away.
type Spool struct {
	MaxBytes int64         // in use at most, before facts are thinned out
	MaxAge   time.Duration // after it a batch that still waits is thinned out
}

// Database says where facts are stored. An empty URL means a private cluster
// from locally installed server binaries.
type Database struct {
	URL Secret
	// BinDir is the folder of the server binaries; empty means to look for it.
	BinDir string
	// RunAs is the user that the private cluster runs as when started by root;
	// empty means a default.
	RunAs string
}

// Broker is the MQTT broker that stations report to. An empty URL means that
// no station reports.
type Broker struct {
	URL       string
	ClientID  string
	Username  string
	Password  Secret
	CAFile    string
	CertFile  string
	KeyFile   string
	KeepAlive time.Duration
}

// DefaultListen is where pages are served when the file does not say.
const DefaultListen = "127.0.0.1:8460"

// Load reads a configuration file. The error is Problems when the file could be
// read.
func Load(path string) (*Config, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, fmt.Errorf("read configuration: %w", err)
	}
	return Parse(path, data)
}

// Parse checks a configuration given as text. The name is the file's path: it
// shows in problems, and its folder is where relative paths begin. The error is
// always Problems.
func Parse(name string, data []byte) (*Config, error) {
	b := &builder{folder: filepath.Dir(name), owners: map[string]string{}, ownRules: map[plant.RuleID]bool{}, beforeAfter: map[plant.ProjectID][]beforeafter.Entry{}}
	b.doc = strictyaml.Decode(name, data, &b.in)
	if len(b.doc.Problems()) == 0 || len(b.in.Presses)+len(b.in.Meters) > 0 {
		b.build()
	}
	problems := b.doc.Problems()
	if len(problems) > 0 {
		problems.Sort()
		return nil, problems
	}
	return &Config{
		Plant: b.plant, Settings: b.settings, Terms: b.terms, BeforeAfter: b.beforeAfter,
		Warnings: append(b.foresee(name), b.unheard(name)...),
	}, nil
}

// builder turns the file into a plant, step by step; problems go to doc.
type builder struct {
	doc      *strictyaml.Document
	in       file
	folder   string
	owners   map[string]string // name of press, station or meter → where it was given
	profiles map[string]plant.Profile
	ownRules map[plant.RuleID]bool // rules that the plant wrote itself
	meters   []metered
	included []string // ready-made rule sets taken so far
	plant    plant.Plant
	settings Settings
	terms    terms.Terms

	beforeAfter map[plant.ProjectID][]beforeafter.Entry
}

func (b *builder) build() {
	b.site()
	b.presses()
	b.readProfiles()
	b.buses()
	b.signalsOfLoops()
	b.topics()
	b.registers()
	b.upkeep()
	b.wear()
	b.terms = terms.Read(b.doc, b.in.Spec, &b.plant, b.path)
	b.planning()
	b.savings()
	b.checkUse()
	b.readSettings()
	b.web()
	b.notify()
}

// report adds a problem at a path.
func (b *builder) report(path, problem, remedy string) { b.doc.Report(path, problem, remedy) }

// reportf is report with a formatted problem.
func (b *builder) reportf(path, remedy, format string, args ...any) {
	b.doc.Report(path, fmt.Sprintf(format, args...), remedy)
}

// path makes a path of the file absolute with respect to the folder of the
// configuration.
func (b *builder) path(p string) string {
	if p == "" || filepath.IsAbs(p) {
		return p
	}
	joined := filepath.Join(b.folder, p)
	if abs, err := filepath.Abs(joined); err == nil {
		return abs
	}
	return joined
}

// readFile reads a regular file of limited size: a pipe or device would block or
// never end.
func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "read", Path: path, Err: errors.New("not a regular file")}
	}
	if info.Size() > strictyaml.MaxSize {
		return nil, &fs.PathError{Op: "read", Path: path, Err: fmt.Errorf("%d bytes, more than %d", info.Size(), strictyaml.MaxSize)}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, strictyaml.MaxSize+1))
	return data, errors.Join(err, f.Close())
}

// unreadable reports a file that cannot be read. Its whole path is left out: the
// person knows the one in the configuration.
func (b *builder) unreadable(at string, err error) {
	if pathErr, ok := errors.AsType[*fs.PathError](err); ok {
		err = pathErr.Err
	}
	b.reportf(at, "correct the path (relative paths begin in the configuration's folder) or the file's permissions", "cannot be read: %v", err)
}
