package history

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/sheet"
	"curetally/internal/work/intake"
)

// aPlant has a meter, a counter of a press and two stations.
func aPlant(t testing.TB) *plant.Plant {
	t.Helper()
	zone, err := sheet.Zone("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: zone, Interval: 15 * time.Minute,
		Presses: []plant.Press{{ID: "heron", Stations: []plant.Station{{ID: "heron-1", Press: "heron"}, {ID: "heron-2", Press: "heron"}}}},
		Registers: []plant.Register{
			{ID: "heron-1-meter/import", Quantity: plant.QuantityEnergy, Rules: plant.Rules{Modulus: 4294967296000}},
			{ID: "grid/net", Quantity: plant.QuantityEnergy, Rules: plant.Rules{Net: true}},
			{ID: "heron/area", Quantity: plant.QuantityArea},
			{ID: "heron-1/lit", Quantity: plant.QuantityTime, Curve: plant.FromEvents},
		},
	}
}

var now = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// aSheet is a file that is in memory.
type aSheet struct {
	file
	text string
}

func (s *aSheet) Each(fn func(*intake.Row) error) error { return s.each(strings.NewReader(s.text), fn) }

// nothing is a record in which nothing is and nothing stays.
type nothing struct{ taken plant.Facts }

func (*nothing) Watermark(context.Context, string) (uint64, error) { return 0, nil }
func (n *nothing) Apply(_ context.Context, _ string, batches []plant.Batch) error {
	for _, b := range batches {
		n.taken.Add(b.Facts)
	}
	return nil
}
func (*nothing) Matching(context.Context, plant.Facts) (plant.Facts, error) {
	return plant.Facts{}, nil
}

func forms(t testing.TB, p *plant.Plant) []form {
	t.Helper()
	long, err := readingForm(p, "", "kWh")
	if err != nil {
		t.Fatal(err)
	}
	short, err := readingForm(p, "heron-1-meter/import", "Wh")
	if err != nil {
		t.Fatal(err)
	}
	return []form{long, short, stateForm(p), signalForm(p)}
}

// Whatever a file holds: nothing panics, each row is accounted for, what is
// refused has a line and a reason, and what is taken is a fact that the record
// can keep.
func FuzzImport(f *testing.F) {
	f.Add("time,register,value,unit,modulus\n2026-03-02 06:00,heron-1-meter/import,1000.5,kWh,\n2026-03-02 06:00,heron/area,-1,m2,9\n", byte(0), false)
	f.Add("time;value\n2026-03-02 06:00;1,5\n2025-10-26 02:30;1\n", byte(1), true)
	f.Add("time,station,state,technology,lit_s,starts,boot,seq,arrived,clock_distrusted,last_will\n2026-03-02T06:00:00Z,heron-1,curing,arc,1.5,3,a1,7,1066-10-14T09:00:00Z,true,\n", byte(2), false)
	f.Add("time,subject,name,value\n2026-03-02T06:00:00.0005Z,heron,speed_mps,1e999\n2026-03-02T06:00:00Z,heron,speed_mps,1\n2026-03-02T06:00:00Z,heron,speed_mps,2\n", byte(3), false)
	p := aPlant(f)
	all := forms(f, p)
	f.Fuzz(func(t *testing.T, text string, kind byte, comma bool) {
		src := &aSheet{file{path: "f.csv", form: all[int(kind)%len(all)], now: now, format: sheet.Format{DecimalComma: comma, Zone: p.TimeZone}}, text}
		to := &nothing{}
		r, err := intake.Take(t.Context(), intake.Options{
			Source: src, Store: to, Name: "f.csv", Show: shown(p), Settle: func(context.Context) error { return nil }, SkipRefused: true, Now: now,
		})
		if err != nil {
			if _, wrongHeader := errors.AsType[sheet.Problem](err); !wrongHeader && !strings.HasPrefix(err.Error(), "f.csv:") {
				t.Fatalf("%v has no place", err)
			}
			return
		}
		if sum := r.Taken + r.OnRecord + r.Repeated + r.Conflicts + r.Refused; sum != r.Rows {
			t.Errorf("%d rows, %d accounted for: %+v", r.Rows, sum, r)
		}
		if r.Refused > 0 && (len(r.Problems) == 0 || len(to.taken.Refusals) != int(r.Refused)) {
			t.Errorf("%d refused, %d listed, %d kept", r.Refused, len(r.Problems), len(to.taken.Refusals))
		}
		for _, q := range r.Problems {
			if q.Line < 1 || q.Text == "" {
				t.Errorf("problem without a place or a reason: %+v", q)
			}
		}
		checkFacts(t, p, &to.taken)
	})
}

func checkFacts(t *testing.T, p *plant.Plant, f *plant.Facts) {
	t.Helper()
	possible := func(at time.Time) bool { return at.Year() >= 2000 && !at.After(now.Add(time.Minute)) }
	for _, r := range f.Readings {
		reg, ok := p.FindRegister(r.Register)
		if !ok || !isRead(reg) || !possible(r.At) || (!reg.Rules.Net && r.Value < 0) || (r.Modulus == 0 && reg.Rules.Modulus > 0 && r.Value >= reg.Rules.Modulus) {
			t.Errorf("taken: %+v", r)
		}
	}
	for _, e := range f.Events {
		if _, ok := p.FindStation(e.Station); !ok || !possible(e.At) || e.Arrived.Year() < 2000 || !slices.Contains(plant.States(), e.State) || e.LitMillis < -1 || e.Starts < -1 || strings.ContainsRune(e.Boot, 0) {
			t.Errorf("taken: %+v", e)
		}
	}
	for _, v := range f.Signals {
		if v.Subject == "" || plant.ValidName(v.Name) != nil || math.IsNaN(v.Value) || math.IsInf(v.Value, 0) || !possible(v.At) {
			t.Errorf("taken: %+v", v)
		}
	}
}

// The rows of lamp changes are judged without a panic too, and none is lost.
func FuzzImportLamps(f *testing.F) {
	f.Add("time,station,lamp,action,kind,reason,by\n2025-01-07 07:00,heron-1,L-1,fit,arc-lamp,,Ann\n2025-02-07 07:00,heron-1,L-1,remove,,failed,Ann\n2025-02-07 07:00,heron-2,L-1,fit,,,\n")
	p := aPlant(f)
	p.LampKinds = []plant.LampKind{{Name: "arc-lamp", Technology: plant.TechnologyArc}}
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := sheet.Stream("f.csv", strings.NewReader(text), sheet.Format{Zone: p.TimeZone}, lampColumns)
		if err != nil {
			return
		}
		a := &almanac{plant: p, kinds: map[plant.LampSerial]string{}, bad: map[int]bool{}}
		if err := a.readAll(rows, ""); err != nil {
			return
		}
		a.settleRows()
		r := a.report()
		if r.Refused == 0 && r.Taken+r.OnRecord+r.Repeated != r.Rows {
			t.Errorf("%d rows, accounted for: %+v", r.Rows, r)
		}
		if r.Refused > 0 && (r.Taken > 0 || len(r.Problems) == 0) {
			t.Errorf("refused: %+v", r)
		}
		for i, x := range a.stays {
			for _, y := range a.stays[:i] {
				if r.Refused == 0 && (x.Lamp == y.Lamp || x.Station == y.Station) && overlap(x.Fitting, y.Fitting) {
					t.Errorf("both taken: %+v, %+v", x, y)
				}
			}
		}
	})
}

func TestWriteFile_WholeOrNotThere(t *testing.T) {
	path := t.TempDir() + "/a.csv"
	gone := errors.New("the database is away")
	err := writeFile(path, false, nil, func(w io.Writer) error {
		if _, err := io.WriteString(w, "half"); err != nil {
			return err
		}
		return gone
	})
	if !errors.Is(err, gone) {
		t.Errorf("%v, want %v", err, gone)
	}
	if left := list(t, path); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	put := func(text string, force bool) error {
		return writeFile(path, force, nil, func(w io.Writer) error { _, err := io.WriteString(w, text); return err })
	}
	for _, step := range []struct {
		text    string
		force   bool
		refused bool
		want    string
	}{{"one", false, false, "one"}, {"two", false, true, "one"}, {"three", true, false, "three"}} {
		if err := put(step.text, step.force); (err != nil) != step.refused {
			t.Errorf("write of %s: %v", step.text, err)
		}
		if left := list(t, path); len(left) != 1 || left["a.csv"] != step.want {
			t.Errorf("after %s: %v", step.text, left)
		}
	}
}
