package spool

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	bolt "go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

// childDir is the environment variable that makes the test binary a writer
// which is killed; see TestKillLosesNoAcknowledgedBatch.
const childDir = "CURETALLY_SPOOL_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		appendForEver(dir)
	}
	os.Exit(m.Run())
}

// appendForEver prints the number of each batch once it is acknowledged.
func appendForEver(dir string) {
	s, err := Open(dir, Bounds{}, slog.New(slog.DiscardHandler))
	if err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
	for i := int64(0); ; i++ {
		n, err := s.Append(context.Background(), readings(100, i))
		if err != nil {
			fmt.Println("error:", err)
			os.Exit(1)
		}
		fmt.Println(n)
	}
}

func open1(t testing.TB, dir string) *Spool {
	t.Helper()
	s, err := Open(dir, Bounds{}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// readings makes a batch that tells which one it is.
func readings(n int, mark int64) plant.Facts {
	var f plant.Facts
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for i := range n {
		f.Readings = append(f.Readings, plant.Reading{
			Register: plant.RegisterID(fmt.Sprintf("heron-%d-meter/import", i%8+1)),
			At:       at.Add(time.Duration(i) * 10 * time.Second), Value: mark*1_000_000 + int64(i),
		})
	}
	return f
}

func drawFacts(t *rapid.T) plant.Facts {
	instant := rapid.Custom(func(t *rapid.T) time.Time {
		return time.UnixMicro(rapid.Int64Range(-1<<50, 1<<52).Draw(t, "µs")).UTC()
	})
	name := rapid.StringMatching(`[a-z0-9/-]{0,20}`)
	var f plant.Facts
	f.Readings = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) plant.Reading {
		return plant.Reading{
			Register: plant.RegisterID(name.Draw(t, "register")), At: instant.Draw(t, "at"),
			Value: rapid.Int64().Draw(t, "value"), Modulus: rapid.Int64().Draw(t, "modulus"),
		}
	}), -1, 10).Draw(t, "readings")
	f.Events = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) plant.StationEvent {
		return plant.StationEvent{
			Station: plant.StationID(name.Draw(t, "station")), At: instant.Draw(t, "at"), Arrived: instant.Draw(t, "arrived"),
			State: plant.State(rapid.Byte().Draw(t, "state")), Technology: plant.Technology(rapid.Byte().Draw(t, "technology")),
			Boot: rapid.String().Draw(t, "boot"), Sequence: rapid.Int64().Draw(t, "sequence"),
			LitMillis: rapid.Int64Range(-1, 1<<60).Draw(t, "lit"), Starts: rapid.Int64Range(-1, 1<<60).Draw(t, "starts"),
			ClockDistrusted: rapid.Bool().Draw(t, "clock"), LastWill: rapid.Bool().Draw(t, "will"),
		}
	}), -1, 10).Draw(t, "events")
	f.Signals = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) plant.Signal {
		return plant.Signal{Subject: name.Draw(t, "subject"), Name: name.Draw(t, "name"), At: instant.Draw(t, "at"), Value: rapid.Float64().Draw(t, "value")}
	}), -1, 10).Draw(t, "signals")
	f.Refusals = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) plant.Refusal {
		return plant.Refusal{
			At: instant.Draw(t, "at"), Source: rapid.String().Draw(t, "source"), Reason: rapid.String().Draw(t, "reason"),
			Payload: rapid.SliceOf(rapid.Byte()).Draw(t, "payload"),
		}
	}), -1, 4).Draw(t, "refusals")
	return f
}

// equal compares facts; an absent slice and an empty one are the same.
func equal(a, b plant.Facts) string {
	return cmp.Diff(a, b, cmpopts.EquateEmpty(), cmpopts.EquateNaNs())
}

func TestFactsComeBackAsTheyWere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFacts(t)
		got, err := decode(encode(f))
		if err != nil {
			t.Fatal(err)
		}
		if d := equal(f, got); d != "" {
			t.Fatalf("facts changed on the way (-written +read):\n%s", d)
		}
	})
}

func TestUnknownFieldsAreSkipped(t *testing.T) {
	e := encoder{names: map[string]uint64{}}
	e.number(1, e.name("heron/area"))
	e.signed(2, 1_700_000_000_000_000)
	e.signed(3, 42)
	e.bytes(14, []byte("from a newer program"))
	e.number(77, 5)
	e.end(fieldReading)
	e.number(1, 9)
	e.end(12) // a kind of fact that this program does not know
	raw := append(append(make([]byte, 4), e.table...), e.body...)
	binary.BigEndian.PutUint32(raw, checksum(raw[4:]))
	got, err := decode(raw)
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Readings) != 1 || got.Readings[0].Value != 42 || got.Readings[0].Register != "heron/area" {
		t.Errorf("got %+v", got)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(encode(readings(3, 1)))
	f.Add([]byte{0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, raw []byte) {
		if _, err := decode(raw); err != nil && !errors.Is(err, ErrDamaged) {
			t.Errorf("error %v is not ErrDamaged", err)
		}
		// The same behind a checksum that fits.
		framed := append(make([]byte, 4), raw...)
		binary.BigEndian.PutUint32(framed, checksum(raw))
		if _, err := decode(framed); err != nil && !errors.Is(err, ErrDamaged) {
			t.Errorf("error %v is not ErrDamaged", err)
		}
	})
}

func TestNumbersRiseWithoutGapAndAreNeverUsedTwice(t *testing.T) {
	dir := t.TempDir()
	s := open1(t, dir)
	last, err := s.Append(t.Context(), readings(1, 1), readings(1, 2), readings(1, 3))
	if err != nil || last != 3 {
		t.Fatalf("Append = %d, %v; want 3", last, err)
	}
	if err := s.Trim(t.Context(), 3); err != nil {
		t.Fatal(err)
	}
	if st := s.Stats(); st.Batches != 0 || st.First != 4 || st.Last != 3 || !st.OldestAt.IsZero() {
		t.Errorf("after trimming all: %+v", st)
	}
	id := s.ID()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open1(t, dir)
	if s.ID() != id {
		t.Errorf("identity changed from %s to %s", id, s.ID())
	}
	if last, err = s.Append(t.Context(), readings(1, 4)); err != nil || last != 4 {
		t.Errorf("after trim and reopening Append = %d, %v; want 4", last, err)
	}
	if st := s.Stats(); st.Batches != 1 || st.First != 4 || st.OldestAt.IsZero() || st.Bytes == 0 {
		t.Errorf("with one batch waiting: %+v", st)
	}
}

func TestRenewKeepsBatchesUnderANewIdentity(t *testing.T) {
	dir := t.TempDir()
	s := open1(t, dir)
	if _, err := s.Append(t.Context(), readings(1, 1)); err != nil {
		t.Fatal(err)
	}
	before := s.ID()
	if err := s.Renew(t.Context()); err != nil {
		t.Fatal(err)
	}
	after := s.ID()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open1(t, dir)
	if st := s.Stats(); after == before || s.ID() != after || st.Batches != 1 || st.Last != 1 {
		t.Errorf("identity %s, then %s, reopened %s; %+v", before, after, s.ID(), st)
	}
}

func TestReadStopsAtTheLimitAndGoesOn(t *testing.T) {
	s := open1(t, t.TempDir())
	if _, err := s.Append(t.Context(), readings(10, 1), readings(10, 2), readings(10, 3)); err != nil {
		t.Fatal(err)
	}
	var got []uint64
	for after := uint64(0); ; {
		batches, err := s.Read(t.Context(), after, 15)
		if err != nil {
			t.Fatal(err)
		}
		if len(batches) == 0 {
			break
		}
		for _, b := range batches {
			got = append(got, b.Sequence)
			if d := equal(readings(10, int64(b.Sequence)), b.Facts); d != "" {
				t.Errorf("batch %d:\n%s", b.Sequence, d)
			}
		}
		after = batches[len(batches)-1].Sequence
	}
	if d := cmp.Diff([]uint64{1, 2, 3}, got); d != "" {
		t.Errorf("numbers read:\n%s", d)
	}
}

func TestSecondProgramIsRefused(t *testing.T) {
	dir := t.TempDir()
	open1(t, dir)
	_, err := Open(dir, Bounds{}, slog.New(slog.DiscardHandler))
	if !errors.Is(err, ErrInUse) {
		t.Fatalf("second Open: %v, want ErrInUse", err)
	}
	if !strings.Contains(err.Error(), "stop the other daemon") {
		t.Errorf("error %q names no remedy", err)
	}
}

func TestDamagedBatchIsSetAsideAndTheRestReadOn(t *testing.T) {
	dir := t.TempDir()
	s := open1(t, dir)
	if _, err := s.Append(t.Context(), readings(5, 1), readings(5, 2), readings(5, 3)); err != nil {
		t.Fatal(err)
	}
	flip(t, s, 2)
	got, err := s.Read(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 3 || got[0].Facts.Len() != 5 || got[1].Facts.Len() != 0 || got[2].Facts.Len() != 5 {
		t.Fatalf("batches read: %+v", got)
	}
	if st := s.Stats(); st.Damaged != 1 || st.Batches != 3 {
		t.Errorf("stats: %+v", st)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if st := open1(t, dir).Stats(); st.Damaged != 1 {
		t.Errorf("after reopening %d batches are set aside, want 1", st.Damaged)
	}
}

// flip changes one bit in the middle of a stored batch.
func flip(t *testing.T, s *Spool, n uint64) {
	t.Helper()
	err := s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(bucketBatches))
		key := binary.BigEndian.AppendUint64(nil, n)
		v := append([]byte(nil), b.Get(key)...)
		v[len(v)/2] ^= 4
		return b.Put(key, v)
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestUnreadableFileIsMovedAside(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), []byte(strings.Repeat("no spool at all ", 1024)), 0o600); err != nil {
		t.Fatal(err)
	}
	s := open1(t, dir)
	if n, err := s.Append(t.Context(), readings(1, 1)); err != nil || n != 1 {
		t.Errorf("Append to the new spool = %d, %v", n, err)
	}
	aside, err := filepath.Glob(filepath.Join(dir, fileName+".damaged-*"))
	if err != nil || len(aside) != 1 {
		t.Errorf("files moved aside: %v, %v; want one", aside, err)
	}
}

// Pages of the file are damaged one at a time. bbolt alone ends the program on
// about half of these files, in a goroutine of its own where nothing can recover.
func TestDamagedPageCostsOnlyItsBatches(t *testing.T) {
	const pageSize, batches, trimmed = 4096, 150, 30
	whole := t.TempDir()
	s := open1(t, whole)
	for n := range int64(batches) {
		if _, err := s.Append(t.Context(), readings(20+int(n)%50, n+1)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Trim(t.Context(), trimmed); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	raw, err := os.ReadFile(filepath.Join(whole, fileName))
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var lost []int // where a page of the tree was hit
	for trial := range 36 {
		damaged := bytes.Clone(raw)
		page := damaged[pageSize*(2+rng.IntN(len(raw)/pageSize-2)):][:pageSize]
		switch trial % 3 {
		case 0:
			clear(page)
		case 1:
			for i := range page {
				page[i] = byte(rng.Uint32())
			}
		case 2:
			page[rng.IntN(64)] ^= 1 << rng.IntN(8)
		}
		found, aside := openDamaged(t, damaged)
		if aside {
			lost = append(lost, batches-trimmed-found)
		}
	}
	// A leaf costs the few batches in it; only the page at the top of the tree, one
	// among many, costs all.
	slices.Sort(lost)
	if n := len(lost); n < 5 || lost[n/2] > 10 || lost[n*7/10] > 10 {
		t.Errorf("batches lost where a page was damaged: %v", lost)
	}
}

// openDamaged opens a damaged spool, uses it, and counts the batches that are in
// it as they were written.
func openDamaged(t *testing.T, raw []byte) (found int, aside bool) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), raw, 0o600); err != nil {
		t.Fatal(err)
	}
	s := open1(t, dir)
	got, err := s.Read(t.Context(), 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range got {
		if b.Facts.Len() == 0 {
			continue // set aside
		}
		mark := b.Facts.Readings[0].Value / 1_000_000
		if !bytes.Equal(encode(readings(20+int(mark-1)%50, mark)), encode(b.Facts)) {
			t.Fatalf("batch %d is not as it was written", mark)
		}
		found++
	}
	last, err := s.Append(t.Context(), readings(3, 1))
	if err != nil || s.Trim(t.Context(), last) != nil || s.Stats().Batches != 0 {
		t.Fatalf("the spool is of no use after the damage: %v, %+v", err, s.Stats())
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(dir, fileName+".damaged-*"))
	if err != nil {
		t.Fatal(err)
	}
	return found, len(files) == 1
}

func FuzzExamine(f *testing.F) {
	dir := f.TempDir()
	s := open1(f, dir)
	if _, err := s.Append(f.Context(), readings(3, 1)); err != nil {
		f.Fatal(err)
	}
	if err := s.Close(); err != nil {
		f.Fatal(err)
	}
	raw, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint32(4096*3+9), []byte{7, 7})
	f.Add(uint32(16), []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9})
	f.Fuzz(func(t *testing.T, at uint32, patch []byte) {
		damaged := bytes.Clone(raw)
		copy(damaged[int(at)%len(damaged):], patch)
		openDamagedFile(t, damaged)
	})
}

// openDamagedFile only holds that the program goes on with a usable spool.
func openDamagedFile(t *testing.T, raw []byte) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), raw, 0o600); err != nil {
		t.Fatal(err)
	}
	s := open1(t, dir)
	if _, err := s.Append(t.Context(), readings(1, 1)); err != nil {
		t.Fatal(err)
	}
}

func TestKillLosesNoAcknowledgedBatch(t *testing.T) {
	dir := t.TempDir()
	for round := range 5 {
		acknowledged := killWriter(t, dir, 20+round*7)
		s, err := Open(dir, Bounds{}, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		batches, err := s.Read(t.Context(), 0, 1<<30)
		if err != nil {
			t.Fatal(err)
		}
		if n := uint64(len(batches)); n < acknowledged || s.Stats().Damaged != 0 {
			t.Fatalf("round %d: %d batches acknowledged, %d found, %d damaged", round, acknowledged, n, s.Stats().Damaged)
		}
		for i, b := range batches {
			if b.Sequence != uint64(i+1) || b.Facts.Len() != 100 {
				t.Fatalf("round %d: batch %d has number %d and %d facts", round, i, b.Sequence, b.Facts.Len())
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// killWriter lets a child write until it has acknowledged some batches, kills
// it and returns the last number that it acknowledged.
func killWriter(t *testing.T, dir string, batches int) uint64 {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var last uint64
	lines := bufio.NewScanner(out)
	for i := 0; lines.Scan(); i++ {
		if _, err := fmt.Sscan(lines.Text(), &last); err != nil {
			t.Fatalf("child says %q", lines.Text())
		}
		if i == batches {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the child ended by itself")
	}
	if last == 0 {
		t.Fatal("the child acknowledged nothing")
	}
	return last
}

func BenchmarkEncode(b *testing.B) {
	f := readings(5000, 1)
	for b.Loop() {
		encode(f)
	}
	b.ReportMetric(5000*float64(b.N)/b.Elapsed().Seconds(), "facts/s")
}

func BenchmarkDecode(b *testing.B) {
	raw := encode(readings(5000, 1))
	for b.Loop() {
		if _, err := decode(raw); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(5000*float64(b.N)/b.Elapsed().Seconds(), "facts/s")
}

// BenchmarkAppend measures durable batches: each is synced to disk.
func BenchmarkAppend(b *testing.B) {
	s := open1(b, b.TempDir())
	f := readings(5000, 1)
	for b.Loop() {
		n, err := s.Append(b.Context(), f)
		if err != nil {
			b.Fatal(err)
		}
		if err := s.Trim(b.Context(), n); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(5000*float64(b.N)/b.Elapsed().Seconds(), "facts/s")
}
