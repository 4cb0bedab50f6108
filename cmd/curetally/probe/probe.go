// Package probe is the electrician's command: it reads meters live, shows each
// value under the configured and the neighbouring settings, says in words what is
// wrong with the wiring, and writes the commissioning record. With --discover it
// looks for SunSpec meters on a bus instead.
//
// It uses neither store nor daemon and reads the meters itself, so on a serial line
// the daemon must rest meanwhile. It only reads; a note on top of each page says
// who may open a panel, and what must not be done there.
//
// The judgement is made in packages layout and commission; here it is shown.
package probe

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/cmd/curetally/probe/discover"
	"curetally/internal/core/accuracy"
	"curetally/internal/core/commission"
	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/meterlink"
	"curetally/internal/link/spool"
)

// Command is the command with its flags.
type Command struct {
	desk.Site
	Meters    []string      `arg:"" optional:"" name:"meter" help:"Meters to read; all of the configuration by default."`
	Once      bool          `help:"Read each meter once."`
	For       time.Duration `help:"How long to read; until interrupted by default." placeholder:"60s"`
	JSON      bool          `help:"Print as JSON: with --once or --discover one document, else one line per second."`
	Record    string        `help:"Write the commissioning record to this new file: JSON, text, or A4 pages to sign (PDF)." placeholder:"FILE.json|FILE.txt|FILE.pdf"`
	By        string        `help:"Who commissions; needed for --record." placeholder:"NAME"`
	CTAmperes float64       `name:"ct-amperes" help:"Rated primary current of the current transformers, to judge them by; that of the configuration (accuracy: ct:) by default." placeholder:"N"`
	CTClass   string        `name:"ct-class" help:"Their accuracy class: 0.1, 0.2, 0.2S, 0.5, 0.5S, 1 or 3." placeholder:"CLASS"`
	Discover  string        `help:"Instead, look for SunSpec meters at tcp://HOST:PORT, rtuovertcp://HOST:PORT or rtu:///dev/TTY." placeholder:"URL"`
	Units     string        `help:"Unit ids that --discover asks, such as 1-20,126." default:"1-247"`
	Timeout   time.Duration `help:"How long --discover waits for a unit." default:"500ms"`
	Speed     uint          `help:"Baud rate of the line, for --discover." default:"19200"`
	Parity    string        `help:"Parity of the line, for --discover: none, even or odd." enum:"none,even,odd" default:"even"`
	StopBits  uint          `help:"Stop bits of the line, for --discover." default:"1"`
}

// Help is what --help says below the first line.
func (Command) Help() string {
	return `Reads the meters live, once a second, and shows each value in its unit under the configured word order, byte
order and address and under the others, so that the right setting shows itself. Says in words what is wrong with the
wiring, and writes the commissioning record. It only reads.

` + safety + `

While a serial line is read (rtu:// or rtuovertcp://), the daemon must rest: two masters on one line garble each
other's answers. Stop it first and start it again afterwards. A meter with Modbus TCP of its own may be read beside it.`
}

// Validate refuses flags that make no sense together or by themselves.
func (c Command) Validate() error {
	switch {
	case c.For < 0:
		return fmt.Errorf("--for %v: expected a length above 0, such as 60s", c.For)
	case c.Once && c.For > 0:
		return errors.New("--once and --for: expected one of them")
	case !(c.CTAmperes >= 0) || math.IsInf(c.CTAmperes, 0):
		return fmt.Errorf("--ct-amperes %v: expected the rated primary current, such as 100", c.CTAmperes)
	case c.CTClass != "" && !slices.Contains(accuracy.Classes(), c.CTClass):
		return fmt.Errorf("--ct-class %q: expected one of %s", c.CTClass, strings.Join(accuracy.Classes(), ", "))
	case c.CTClass != "" && c.CTAmperes == 0:
		return errors.New("--ct-class needs --ct-amperes: expected the rated primary current beside the class")
	}
	if c.Record != "" {
		if ext := filepath.Ext(c.Record); !slices.Contains([]string{".json", ".txt", ".pdf"}, ext) {
			return fmt.Errorf("--record %q: expected a name that ends in .json, .txt or .pdf", c.Record)
		}
		if strings.TrimSpace(c.By) == "" {
			return errors.New("--record needs --by NAME: expected the name of the person who commissions")
		}
	}
	if c.Discover == "" {
		return nil
	}
	if len(c.Meters) > 0 || c.Record != "" || c.Once || c.For > 0 || c.CTAmperes > 0 {
		return errors.New("--discover reads no meters of the configuration: expected it without meters, --once, --for, --record and --ct-amperes")
	}
	return c.search().Check()
}

func (c Command) search() discover.Search {
	note := safety
	if strings.HasPrefix(c.Discover, "rtu") {
		note += "\nThe daemon must rest while a serial line is searched: two masters on one line garble each other's answers."
	}
	return discover.Search{
		URL: c.Discover, Units: c.Units, Timeout: c.Timeout, Speed: c.Speed, Parity: c.Parity, StopBits: c.StopBits,
		JSON: c.JSON, Safety: note,
	}
}

// Run reads meters, or looks for them.
func (c Command) Run(ctx context.Context, s desk.Surroundings) (err error) {
	if c.Discover != "" {
		search := c.search()
		search.Terminal = isTerminal(s.Stdout)
		return search.Run(ctx, s)
	}
	loaded, err := c.Load()
	if err != nil {
		return err
	}
	lines, err := openLines(&loaded.Plant, c.Meters, s.Log)
	if err != nil {
		return err
	}
	var file *os.File
	if c.Record != "" {
		if file, err = newRecordFile(c.Record); err != nil {
			return err
		}
		defer func() {
			if err = errors.Join(err, file.Close()); err != nil && !errors.Is(err, desk.ErrFinding) {
				_ = os.Remove(c.Record) // it holds no record; the error that led here is the one to report
			}
		}()
	}
	l := live{
		lines: lines, once: c.Once, json: c.JSON, terminal: isTerminal(s.Stdout), out: s.Stdout,
		record: Record{
			Site: loaded.Plant.Name, By: c.By, Program: "curetally " + s.Version, Safety: safety,
			Notice:      notice(lines, filepath.Join(loaded.Settings.DataDir, "spool")),
			Transformer: commission.Transformer{Amperes: c.CTAmperes, Class: c.CTClass},
		},
		zone: loaded.Plant.TimeZone,
	}
	if c.For > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, c.For)
		defer stop()
	}
	record, err := l.run(ctx)
	if err != nil {
		return err
	}
	if file != nil {
		if err := writeRecord(file, record, loaded.Plant.TimeZone); err != nil {
			return fmt.Errorf("write the commissioning record: %w", err)
		}
	}
	return record.verdict()
}

// notice says what is to be known about the lines: on a serial one the daemon must
// rest, and whether one runs shows in the spool of the same configuration.
func notice(lines []line, spoolDir string) string {
	var serial []string
	for _, l := range lines {
		if url := l.subjects[0].url; strings.HasPrefix(url, "rtu") && !slices.Contains(serial, url) {
			serial = append(serial, url)
		}
	}
	if len(serial) == 0 {
		return ""
	}
	which := strings.Join(serial, ", ")
	// Whoever may not look into the spool is told what is to be told anyway.
	if running, err := spool.InUse(spoolDir); err == nil && running {
		return fmt.Sprintf("A DAEMON OF THIS CONFIGURATION IS RUNNING and reads %s too: two masters on one serial line garble each other's answers. Stop it while you probe.", which)
	}
	return fmt.Sprintf("Serial line %s: the daemon must rest meanwhile, because two masters on one line garble each other's answers.", which)
}

// newRecordFile makes the file before anything is read, so that an hour's work is
// not lost to a wrong path. It does not overwrite: a record is a document.
func newRecordFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return nil, fmt.Errorf("--record %s: the file is there already: give the new record a name of its own", path)
	}
	return f, err
}

// openLines prepares the buses with the chosen meters; it opens none. Without
// names it takes all.
func openLines(p *plant.Plant, names []string, log *slog.Logger) ([]line, error) {
	var known []string
	for _, b := range p.Buses {
		for _, m := range b.Meters {
			known = append(known, string(m.ID))
		}
	}
	for _, n := range names {
		if !slices.Contains(known, n) {
			return nil, fmt.Errorf("meter %q is not in the configuration — %s", n, strictyaml.Suggest(n, known, "there is none; add one"))
		}
	}
	var lines []line
	for _, b := range p.Buses {
		b.Meters = slices.DeleteFunc(slices.Clone(b.Meters), func(m plant.Meter) bool {
			return len(names) > 0 && !slices.Contains(names, string(m.ID))
		})
		if len(b.Meters) == 0 {
			continue
		}
		bus, err := meterlink.NewBus(b, time.Now, desk.Quiet(log))
		if err != nil {
			return nil, err
		}
		l := line{close: bus.Close}
		for _, m := range b.Meters {
			e, err := bus.Explore(m.ID)
			if err != nil {
				return nil, err
			}
			l.subjects = append(l.subjects, &subject{meter: m, url: b.URL, source: e})
		}
		lines = append(lines, l)
	}
	return lines, nil
}

// isTerminal says whether pages may be redrawn in place.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
