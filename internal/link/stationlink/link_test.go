package stationlink

import (
	"crypto/tls"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"curetally/internal/core/plant"
	"curetally/internal/sim/mosquitto"
)

// TestLink_Delivers: messages come in order, poison and wills among them, and a
// message that says nothing new does not come.
func TestLink_Delivers(t *testing.T) {
	b := mosquitto.New(t).Start()
	b.Publish("alder/heron/2/status", `{"state":"off","boot":"b1","seq":1}`, "-r") // kept, without an instant
	b.Publish("alder/heron/2/status", "offline", "-r")                             // kept
	r := up(t, b.URL(), aPlant())
	b.Publish(statusAt, status(1))
	b.Publish(statusAt, "poison")
	b.Publish("alder/heron/press", `{"area_m2":2.5}`)
	b.Dying(statusAt, "offline", "--will-retain")
	if m := r.next(t); sequenceOf(t, m) != 1 || m.Topic != statusAt {
		t.Errorf("first message %+v", m)
	}
	if m := r.next(t); m.Facts.Len() != 1 || len(m.Facts.Refusals) != 1 || string(m.Facts.Refusals[0].Payload) != "poison" {
		t.Errorf("poison: %+v", m)
	}
	if m := r.next(t); m.Facts.Len() != 1 || len(m.Facts.Readings) != 1 || m.Facts.Readings[0].Value != 25_000 {
		t.Errorf("press: %+v", m)
	}
	m := r.next(t)
	sequenceOf(t, m)
	if e := m.Facts.Events[0]; !e.LastWill || e.State != plant.StateUnknown || e.Station != "heron-1" {
		t.Errorf("will: %+v", e)
	}
	if n := r.log.count("level="); n != 1 {
		t.Errorf("%d lines in the log, expected the one of the connection", n)
	}
}

// TestLink_Retained: a kept message with an instant of its own comes at every
// connection with the same keys.
func TestLink_Retained(t *testing.T) {
	b := mosquitto.New(t).Start()
	b.Publish(statusAt, status(7), "-r")
	var seen []plant.StationEvent
	for range 2 {
		r := up(t, b.URL(), aPlant())
		m := r.next(t)
		if sequenceOf(t, m) != 7 {
			t.Fatalf("message %+v", m)
		}
		seen = append(seen, m.Facts.Events[0])
		m.Ack()
		r.stop()
	}
	if seen[0].Boot != seen[1].Boot || seen[0].Sequence != seen[1].Sequence || !seen[0].At.Equal(seen[1].At) {
		t.Errorf("not the same event: %+v", seen)
	}
}

// TestLink_AcksOnlyWhenTold: what was not acknowledged comes again in the next
// connection of the same session, and nothing else does.
func TestLink_AcksOnlyWhenTold(t *testing.T) {
	b := mosquitto.New(t).Start()
	r := up(t, b.URL(), aPlant())
	b.PublishLines(statusAt, []string{status(1), status(2), status(3)})
	for _, want := range []int{1, 2, 3} {
		m := r.next(t)
		if got := sequenceOf(t, m); got != want {
			t.Fatalf("sequence %d, expected %d", got, want)
		}
		if want == 2 {
			m.Ack()
			m.Ack() // has no effect
		}
	}
	r.stop()
	b.Publish(statusAt, status(4)) // waits in the session
	r = up(t, b.URL(), aPlant())
	for _, want := range []int{1, 3, 4} {
		m := r.next(t)
		if got := sequenceOf(t, m); got != want {
			t.Fatalf("after the new connection sequence %d, expected %d", got, want)
		}
		m.Ack()
	}
	r.stop()
	r = up(t, b.URL(), aPlant())
	b.Publish(statusAt, status(5))
	if got := sequenceOf(t, r.next(t)); got != 5 {
		t.Errorf("sequence %d came again though it was acknowledged", got)
	}
}

// TestLink_AckAfterItsConnection has no effect and hurts nobody.
func TestLink_AckAfterItsConnection(t *testing.T) {
	b := mosquitto.New(t).Start()
	r := up(t, b.URL(), aPlant())
	b.Publish(statusAt, status(1))
	old := r.next(t)
	b.Stop()
	b.Start()
	mosquitto.Eventually(t, "the link is connected again", r.Connected)
	old.Ack()
	again := r.next(t)
	if sequenceOf(t, again) != 1 {
		t.Fatalf("message %+v", again)
	}
	again.Ack()
	b.Publish(statusAt, status(2))
	if got := sequenceOf(t, r.next(t)); got != 2 {
		t.Errorf("sequence %d, expected 2", got)
	}
}

// TestLink_BrokerRestart: the link says that it is away, connects again and
// subscribes again, also when the broker has lost its sessions.
func TestLink_BrokerRestart(t *testing.T) {
	b := mosquitto.New(t).Start()
	r := up(t, b.URL(), aPlant())
	for i := range 2 {
		b.Stop()
		mosquitto.Eventually(t, "the link notices", func() bool { return !r.Connected() })
		if i == 1 {
			b.Forget()
		}
		b.Start()
		mosquitto.Eventually(t, "the link is connected again", r.Connected)
		b.Publish(statusAt, status(i))
		m := r.next(t)
		if sequenceOf(t, m) != i {
			t.Errorf("message %+v", m)
		}
		m.Ack()
	}
	for text, n := range map[string]int{"connected to the broker": 3, "lost the broker": 2, "level=": 5} {
		if got := r.log.count(text); got != n {
			t.Errorf("%d lines with %q, expected %d", got, text, n)
		}
	}
}

// TestLink_BrokerAwayAtStart: one warning, however often it is tried.
func TestLink_BrokerAwayAtStart(t *testing.T) {
	b := mosquitto.New(t)
	// Something that takes the first connections and cuts them off.
	l, err := net.Listen("tcp", "127.0.0.1:"+b.Port())
	if err != nil {
		t.Fatal(err)
	}
	r := run(t, b.URL(), aPlant())
	for range 2 {
		c, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if r.Connected() {
		t.Error("connected to nothing")
	}
	b.Start()
	mosquitto.Eventually(t, "the link is connected", r.Connected)
	if n := r.log.count("level=WARN"); n != 1 || r.log.count("check broker.url") != 1 {
		t.Errorf("%d warnings, expected one with the remedy", n)
	}
}

// TestLink_StopsWhileAway: Run ends at once while it waits for a broker that
// takes the connection and says nothing.
func TestLink_StopsWhileAway(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	r := run(t, "mqtt://"+l.Addr().String(), aPlant())
	c, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Read(make([]byte, 1)); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	r.stop()
	if took := time.Since(began); took > connectTimeout/2 {
		t.Errorf("it took %s", took)
	}
}

// TestLink_UnmatchedTopics: what an old subscription of the session brings is
// acknowledged and counted. Otherwise its messages would fill the broker's window
// of 20 and nothing else would come.
func TestLink_UnmatchedTopics(t *testing.T) {
	b := mosquitto.New(t).Start()
	old := statusTopic()
	old.Pattern, old.Station = "old/{station}", "{station}"
	r := up(t, b.URL(), aPlant(old))
	r.stop()
	lines := make([]string, 30)
	for i := range lines {
		lines[i] = status(i)
	}
	r = up(t, b.URL(), aPlant())
	b.PublishLines("old/heron-1", lines)
	b.PublishLines(statusAt, lines)
	for i := range lines {
		m := r.next(t)
		if got := sequenceOf(t, m); got != i || m.Topic != statusAt {
			t.Fatalf("%s: sequence %d, expected %d", m.Topic, got, i)
		}
		m.Ack()
	}
	if n := r.Unmatched(); n != 30 {
		t.Errorf("%d messages without a mapping, expected 30", n)
	}
	if n := r.log.count("without a mapping"); n != 1 {
		t.Errorf("%d lines about them, expected 1", n)
	}
}

// gate is an embedded broker that refuses a filter and counts pings, which
// mosquitto cannot do.
type gate struct {
	mochi.HookBase
	refuse string
	pinged chan struct{}
}

func (*gate) ID() string { return "gate" }

func (*gate) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck || b == mochi.OnPacketRead
}

func (*gate) OnConnectAuthenticate(_ *mochi.Client, p packets.Packet) bool {
	return string(p.Connect.Password) != "wrong"
}

func (g *gate) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	return write || topic != g.refuse
}

func (g *gate) OnPacketRead(_ *mochi.Client, p packets.Packet) (packets.Packet, error) {
	if p.FixedHeader.Type == packets.Pingreq {
		select {
		case g.pinged <- struct{}{}:
		default:
		}
	}
	return p, nil
}

func (g *gate) listen(t *testing.T) string {
	t.Helper()
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler), InlineClient: true})
	l := listeners.NewTCP(listeners.Config{ID: "test", Address: "127.0.0.1:0"})
	for _, err := range []error{s.AddHook(g, nil), s.AddListener(l), s.Serve()} {
		if err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return "mqtt://" + l.Address()
}

// TestLink_RefusedSubscription: the broker's refusal is no error to the client
// library; it must be one to us.
func TestLink_RefusedSubscription(t *testing.T) {
	g := &gate{refuse: "alder/+/press"}
	r := up(t, g.listen(t), aPlant(), func(o *Options) { o.Username = "station-reader" })
	if r.log.count("level=ERROR") != 1 || r.log.count("filter=alder/+/press user=station-reader") != 1 || r.log.count("allow the user") != 1 {
		t.Error("expected one error that names the filter and the remedy")
	}
}

// TestReportRefused: one line when a refusal begins and one when it ends, however
// many connections are made meanwhile.
func TestReportRefused(t *testing.T) {
	log := &logged{}
	l, err := New(Options{URL: "mqtt://broker", Plant: aPlant(), Log: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	for _, refused := range [][]string{nil, {"a/+"}, {"a/+"}, {"a/+", "b"}, {"b"}, nil, nil} {
		l.reportRefused(refused)
	}
	for text, n := range map[string]int{"level=ERROR": 2, "grants the subscription\" component=stationlink filter=a/+": 1, "filter=b": 2, "level=": 4} {
		if got := log.count(text); got != n {
			t.Errorf("%d lines with %s, expected %d; log:\n%s", got, text, n, log)
		}
	}
}

// TestLink_TLS: a broker with a certificate of a private authority is trusted by
// that authority alone; otherwise the remedy names the certificate.
func TestLink_TLS(t *testing.T) {
	b := mosquitto.New(t)
	roots := b.Secure()
	b.Start()
	url := "mqtts://127.0.0.1:" + b.Port()
	r := up(t, url, aPlant(), func(o *Options) { o.TLS = &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12} })
	r.stop()
	stranger := run(t, url, aPlant())
	mosquitto.Eventually(t, "the link reports the certificate", func() bool { return stranger.log.count("correct broker.ca_file") == 1 })
	if stranger.Connected() {
		t.Error("connected to a broker that nobody vouches for")
	}
}

// TestLink_WrongPassword: a broker that refuses the user is told from one that is
// away.
func TestLink_WrongPassword(t *testing.T) {
	r := run(t, new(gate).listen(t), aPlant(), func(o *Options) { o.Username, o.Password = "reader", "wrong" })
	mosquitto.Eventually(t, "the link reports it", func() bool { return r.log.count("correct broker.username") == 1 })
	if strings.Contains(r.log.String(), "wrong") {
		t.Error("the password is in the log")
	}
}

// TestLink_BlockedReceiver: while the receiver blocks, the connection is kept
// alive, so messages under way are not sent again and again.
func TestLink_BlockedReceiver(t *testing.T) {
	g := &gate{pinged: make(chan struct{})}
	url := g.listen(t)
	b := mosquitto.At(t, url[strings.LastIndex(url, ":")+1:])
	r := up(t, url, aPlant(), func(o *Options) { o.KeepAlive = 2 * time.Second })
	const messages = 6
	for i := range messages {
		b.Publish(statusAt, status(i)) // nobody takes it
	}
	// The library sends the next ping only when the last one was answered and read.
	for range 3 {
		select {
		case <-g.pinged:
		case <-time.After(patience):
			t.Fatal("no ping")
		}
	}
	if !r.Connected() || r.log.count("lost") != 0 {
		t.Error("the link was lost while the receiver was busy")
	}
	for want := range messages {
		m := r.next(t)
		if got := sequenceOf(t, m); got != want {
			t.Errorf("sequence %d, expected %d", got, want)
		}
		m.Ack()
	}
}

// TestLink_MapperFault: a mistake in the mapping costs one message, not the daemon.
func TestLink_MapperFault(t *testing.T) {
	l, err := New(Options{URL: "mqtt://broker", Plant: aPlant()})
	if err != nil {
		t.Fatal(err)
	}
	l.facts = func(string, []byte, time.Time, Age) plant.Facts { panic("planted") }
	f := l.mapped(arrival{fakeMessage{}, arrived})
	want(t, f, plant.Facts{}, "please report it")
	if string(f.Refusals[0].Payload) != "payload" || f.Refusals[0].Source != "topic" {
		t.Errorf("refusal %+v", f.Refusals[0])
	}
}

func TestAgeOf(t *testing.T) {
	for want, m := range map[Age]fakeMessage{Fresh: {}, Repeated: {duplicate: true}, Retained: {duplicate: true, retained: true}} {
		if got := ageOf(m); got != want {
			t.Errorf("%+v is of age %d, want %d", m, got, want)
		}
	}
}

// fakeMessage is a message that came from no broker.
type fakeMessage struct {
	qos                 byte
	duplicate, retained bool
}

func (m fakeMessage) Duplicate() bool { return m.duplicate }
func (m fakeMessage) Qos() byte       { return m.qos }
func (m fakeMessage) Retained() bool  { return m.retained }
func (fakeMessage) Topic() string     { return "topic" }
func (fakeMessage) MessageID() uint16 { return 1 }
func (fakeMessage) Payload() []byte   { return []byte("payload") }
func (fakeMessage) Ack()              {}

// TestLink_FullQueue: a message of quality 0 is lost with one line in the log; one
// of quality 1 waits, at most until the connection ends.
func TestLink_FullQueue(t *testing.T) {
	log := &logged{}
	l, err := New(Options{URL: "mqtt://broker", Plant: aPlant(), Log: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	queue := make(chan arrival, 1)
	for range 3 {
		l.enqueue(t.Context(), queue, fakeMessage{})
	}
	if len(queue) != 1 || log.count("publish with quality 1") != 1 {
		t.Errorf("%d messages in the queue, log %s", len(queue), log)
	}
	waiting := make(chan struct{})
	go func() {
		defer close(waiting)
		l.enqueue(t.Context(), queue, fakeMessage{qos: 1})
	}()
	if a := <-queue; a.message.Qos() != 0 {
		t.Error("the first message is not the first")
	}
	if a := <-queue; a.message.Qos() != 1 {
		t.Error("the message of quality 1 was lost")
	}
	<-waiting
}

// TestClientOptions holds the settings without which messages are lost.
func TestClientOptions(t *testing.T) {
	l, err := New(Options{URL: "mqtts://broker", Plant: aPlant(), TLS: &tls.Config{MinVersion: tls.VersionTLS13}})
	if err != nil {
		t.Fatal(err)
	}
	o := l.clientOptions(t.Context(), &session{}, nil)
	if o.CleanSession || !o.AutoAckDisabled || !o.Order || o.ProtocolVersion != 4 || o.AutoReconnect || o.ConnectRetry ||
		o.DefaultPublishHandler == nil || o.KeepAlive != 15 || o.WriteTimeout == 0 || o.Store != nil || o.WillEnabled {
		t.Errorf("options %+v", o)
	}
	if len(o.Servers) != 1 || o.Servers[0].Host != "broker:8883" {
		t.Errorf("servers %v", o.Servers)
	}
}

// TestNew_ClientID: stable per site and host, and a name that every broker takes.
func TestNew_ClientID(t *testing.T) {
	id := derivedID("Alder Lane Labels", "edge-1")
	if !regexp.MustCompile(`^[0-9a-zA-Z]{1,23}$`).MatchString(id) || id != derivedID("Alder Lane Labels", "edge-1") {
		t.Errorf("client id %q", id)
	}
	if id == derivedID("Alder Lane Labels", "edge-2") || id == derivedID("Alder Lane", "edge-1") || derivedID("ab", "c") == derivedID("a", "bc") {
		t.Error("two sites or hosts have one client id")
	}
	l, err := New(Options{URL: "mqtt://broker", Plant: aPlant()})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(l.o.ClientID, "curetally") {
		t.Errorf("client id %q", l.o.ClientID)
	}
}

func TestNew_Errors(t *testing.T) {
	for _, url := range []string{"", "broker", "http://broker", "mqtt://", "mqtt://a b", ":"} {
		if _, err := New(Options{URL: url, Plant: aPlant()}); err == nil || !strings.Contains(err.Error(), "mqtt://host:1883") {
			t.Errorf("%q: error %v gives no remedy", url, err)
		}
	}
	bad := statusTopic()
	bad.Pattern = "a/#/b"
	if _, err := New(Options{URL: "mqtt://broker", Plant: aPlant(bad)}); err == nil {
		t.Error("a pattern that no broker takes was accepted")
	}
}

// TestNeverPublishes: the package has no way to say anything, so a handler can
// wait for no answer and no station can be told what to do.
func TestNeverPublishes(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, banned := range []string{".Publish(", ".SetWill(", ".SetBinaryWill(", "oken.Wait()", "NewFileStore("} {
			if strings.Contains(string(text), banned) {
				t.Errorf("%s uses %s", f, banned)
			}
		}
		checked++
	}
	if checked < 5 {
		t.Errorf("only %d files were found", checked)
	}
}
