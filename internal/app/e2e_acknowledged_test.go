package app_test

import (
	"encoding/json"
	"strings"
	"sync"
	"testing"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"curetally/internal/core/plant"
)

// acknowledged watches at the broker what the daemon acknowledges. From then on
// the broker forgets the message, so it must be on record.
type acknowledged struct {
	mqtt.HookBase
	mu   sync.Mutex // guards the rest
	sent map[sentKey]packets.Packet
	took []packets.Packet
}

type sentKey struct {
	client *mqtt.Client // one connection
	packet uint16
}

func (*acknowledged) ID() string { return "acknowledged" }

func (*acknowledged) Provides(b byte) bool { return b == mqtt.OnPacketSent || b == mqtt.OnPacketRead }

func (h *acknowledged) OnPacketSent(c *mqtt.Client, pk packets.Packet, _ []byte) {
	if pk.FixedHeader.Type == packets.Publish && pk.FixedHeader.Qos > 0 {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.sent[sentKey{c, pk.PacketID}] = pk
	}
}

func (h *acknowledged) OnPacketRead(c *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type == packets.Puback {
		h.mu.Lock()
		defer h.mu.Unlock()
		key := sentKey{c, pk.PacketID}
		if m, ok := h.sent[key]; ok {
			h.took = append(h.took, m)
			delete(h.sent, key)
		}
	}
	return pk, nil
}

// recorded checks that every status message that the daemon acknowledged is on
// record, without exception.
func (h *acknowledged) recorded(t *testing.T, a archive) {
	t.Helper()
	type key struct {
		boot     string
		sequence int64
	}
	known := map[key]bool{}
	for _, st := range a.plant.Stations() {
		for _, e := range a.events(t, st.ID) {
			known[key{string(st.ID) + " " + e.Boot, e.Sequence}] = true
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	checked := 0
	for _, m := range h.took {
		level := strings.Split(m.TopicName, "/")
		var status struct {
			Boot string `json:"boot"`
			Seq  int64  `json:"seq"`
		}
		if level[len(level)-1] != "status" || json.Unmarshal(m.Payload, &status) != nil {
			continue // of the press, or a last will, which is plain text
		}
		checked++
		st := plant.StationID(level[1] + "-" + level[2])
		if !known[key{string(st) + " " + status.Boot, status.Seq}] {
			t.Errorf("%s: message %d of boot %s was acknowledged and is not on record", st, status.Seq, status.Boot)
		}
	}
	if checked < 100 {
		t.Errorf("only %d acknowledged messages were seen", checked)
	}
	t.Logf("%d acknowledged messages are on record", checked)
}
