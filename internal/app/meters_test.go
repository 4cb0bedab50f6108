package app

import (
	"encoding/binary"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/meterlink"
	"curetally/internal/work/collect"
)

// answering is a Modbus TCP device that answers every read with one PDU, under a unit
// id that lies off the one asked for.
func answering(t *testing.T, off byte, pdu ...byte) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var conns sync.WaitGroup
	conns.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			conns.Go(func() {
				defer c.Close()
				request := make([]byte, 12)
				for {
					if _, err := io.ReadFull(c, request); err != nil {
						return
					}
					answer := binary.BigEndian.AppendUint16(request[:4:4], uint16(1+len(pdu)))
					if _, err := c.Write(append(append(answer, request[6]+off), pdu...)); err != nil {
						return
					}
				}
			})
		}
	})
	t.Cleanup(func() {
		ln.Close()
		conns.Wait()
	})
	return "tcp://" + ln.Addr().String()
}

// From the wire to the words: what is wrong with a meter keeps its kind.
func TestTroubleOfAMeter(t *testing.T) {
	scale := uint16(1)
	profile := plant.Profile{Name: "two", Values: []plant.ProfileValue{
		{Name: "power", Function: 3, Address: 0, Type: plant.Uint16, Unit: "W", ScaleRegister: &scale},
		{Name: "import", Function: 3, Address: 2, Type: plant.Uint16, Unit: "Wh", Cumulative: true},
	}}
	anchored := profile
	anchored.Anchors = []plant.Anchor{{Function: 3, Address: 2, Words: []uint16{9}}}
	// Three registers: power 5, its scale register, import 7.
	read := func(scale byte) []byte { return []byte{3, 6, 0, 5, 0, scale, 0, 7} }
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := "tcp://" + ln.Addr().String()
	ln.Close() // nobody listens here now
	for _, c := range []struct {
		name    string
		url     string
		profile plant.Profile
		want    collect.Trouble
		facts   int
		value   string
		content string
		kind    string
	}{
		{"sound", answering(t, 0, read(1)...), profile, collect.Sound, 2, "", "", ""},
		{"nobody", nobody, profile, collect.NoAnswer, 0, "", "", "silent meter"},
		{"a gateway whose meter is silent", answering(t, 0, 0x83, 0x0B), profile, collect.NoAnswer, 0, "", "", "silent meter"},
		{"exception", answering(t, 0, 0x83, 0x02), profile, collect.Exception, 0, "", "", "refusing meter"},
		{"another unit", answering(t, 1, read(1)...), profile, collect.BrokenFrame, 0, "", "", "disturbed meter"},
		{"another meter", answering(t, 0, read(1)...), anchored, collect.WrongIdentity, 0, "", "0x0007", "another meter"},
		{"bad value", answering(t, 0, read(77)...), profile, collect.BadValue, 1, "power", "0x0005, scale register 0x004d", "unusable meter value"},
	} {
		bus, err := meterlink.NewBus(plant.Bus{
			ID: "hall", URL: c.url, Timeout: 20 * time.Second,
			Meters: []plant.Meter{{ID: "m", Bus: "hall", Unit: 1, Profile: c.profile}},
		}, time.Now, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		r := meterReader{bus}
		a := r.Read(t.Context(), "m", true)
		r.Rest(t.Context())
		if err := r.Close(); err != nil {
			t.Error(err)
		}
		if a.Facts.Len() != c.facts || len(a.Faults) != min(1, int(c.want)) {
			t.Errorf("%s: %d facts and faults %+v", c.name, a.Facts.Len(), a.Faults)
			continue
		}
		if c.want == collect.Sound {
			continue
		}
		f := a.Faults[0]
		if f.Trouble != c.want || f.Value != c.value || f.Content != c.content || !strings.HasPrefix(f.Reason, "meter m, unit 1") || f.Text == "" {
			t.Errorf("%s: fault %+v, want %v", c.name, f, c.want)
		}
		if kind, remedy := troubleOf(f.Trouble); kind != c.kind || remedy == "" {
			t.Errorf("%s: finding %q with remedy %q, want %q", c.name, kind, remedy, c.kind)
		}
	}
}
