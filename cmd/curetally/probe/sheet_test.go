package probe

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curetally/internal/core/layout"
	"curetally/internal/core/plant"
	"curetally/internal/link/spool"
)

// tariffs is a meter that counts import in all and by two tariffs, of which the
// second is in force, and export, of which there is none.
type tariffs struct{ began time.Time }

const tariffWatts = 36_000

func (b tariffs) Read(context.Context) (layout.Image, error) {
	now := time.Now()
	wh := uint32(tariffWatts * now.Sub(b.began).Hours())
	img := layout.Image{At: now.UTC(), Words: map[layout.Address]uint16{}}
	for i, v := range []uint32{9_000_000 + wh, 1000, 5_000_000, 4_000_000 + wh, tariffWatts} {
		at := uint16(10 + 2*i)
		img.Words[layout.Address{Function: 3, Register: at}] = uint16(v >> 16)
		img.Words[layout.Address{Function: 3, Register: at + 1}] = uint16(v)
	}
	return img, nil
}

func tariffMeter() plant.Meter {
	p := plant.Profile{Name: "tariffs"}
	for i, name := range []string{"import", "export", "import_tariff_1", "import_tariff_2", "power"} {
		v := plant.ProfileValue{Name: name, Function: 3, Address: uint16(10 + 2*i), Type: plant.Uint32, Unit: "Wh", Cumulative: true}
		if name == "power" {
			v.Unit, v.Cumulative = "W", false
		}
		p.Values = append(p.Values, v)
	}
	return plant.Meter{ID: "heron-main", Bus: "line", Unit: 7, Profile: p, MaxPower: 50_000}
}

// All energy registers are shown, none is added to another, and each way to write
// the record has them.
func TestLive_ImportExportTariffs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		l := newLive(&out)
		l.record.Notice = "Serial line rtu:///dev/ttyUSB0: the daemon must rest meanwhile."
		l.lines = []line{{
			subjects: []*subject{{meter: tariffMeter(), url: "rtu:///dev/ttyUSB0", source: tariffs{time.Now()}}},
			close:    func() error { return nil },
		}}
		l.terminal = true
		ctx, stop := context.WithTimeout(t.Context(), 100*time.Second+500*time.Millisecond)
		defer stop()
		r, err := l.run(ctx)
		if err != nil {
			t.Fatal(err)
		}
		pages := strings.Split(out.String(), home)
		golden(t, "tariffs.golden", []byte(pages[len(pages)-1]))
		golden(t, "tariffs-record.golden", recordText(r, l.zone))
		sheet := sheetOf(&r.Meters[0], r.transformerText(&r.Meters[0]), l.zone)
		if len(sheet.Values) != 5 || len(sheet.Movements) != 4 || sheet.Movements[1].Moved != "0.000 kWh" || sheet.Movements[3].Power != "-" {
			t.Errorf("the page to sign has %+v and %+v", sheet.Values, sheet.Movements)
		}
	})
}

func TestWriteRecord_PDF(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLive(&bytes.Buffer{}, &bench{began: time.Now(), watts: 9000, turn: 1}, &bench{began: time.Now(), watts: 9000, turn: -1})
		l.once = true
		r, err := l.run(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var first []byte
		for _, name := range []string{"a.pdf", "b.pdf"} {
			path := filepath.Join(t.TempDir(), name)
			f, err := newRecordFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := writeRecord(f, r, l.zone); err != nil {
				t.Fatal(err)
			}
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
			got, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.HasPrefix(got, []byte("%PDF-")) || first != nil && !bytes.Equal(first, got) {
				t.Errorf("%s: %d bytes, the first record had %d", name, len(got), len(first))
			}
			first = got
		}
		sheet := sheetOf(&r.Meters[1], r.transformerText(&r.Meters[1]), l.zone)
		if sheet.Verdict != "wrong" || sheet.Plate[len(sheet.Plate)-1][1] != "400 A primary, class 0.5S" || len(sheet.Values) != 15 {
			t.Errorf("the page to sign has %+v", sheet)
		}
	})
}

func TestNotice(t *testing.T) {
	on := func(urls ...string) []line {
		var all []line
		for _, u := range urls {
			all = append(all, line{subjects: []*subject{{url: u}}})
		}
		return all
	}
	dir := t.TempDir()
	if got := notice(on("tcp://192.0.2.1:502"), dir); got != "" {
		t.Errorf("no serial line: %q", got)
	}
	serial := on("tcp://192.0.2.1:502", "rtu:///dev/ttyUSB0", "rtuovertcp://192.0.2.2:4001")
	const both = "rtu:///dev/ttyUSB0, rtuovertcp://192.0.2.2:4001"
	if got := notice(serial, dir); !strings.Contains(got, both) || !strings.Contains(got, "the daemon must rest") {
		t.Errorf("no daemon: %q", got)
	}
	s, err := spool.Open(dir, spool.Bounds{}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if got := notice(serial, dir); !strings.Contains(got, both) || !strings.Contains(got, "IS RUNNING") {
		t.Errorf("with a daemon: %q", got)
	}
	if help := (Command{}).Help(); !strings.Contains(help, "the daemon must rest") || !strings.Contains(help, safety) {
		t.Errorf("help: %s", help)
	}
}
