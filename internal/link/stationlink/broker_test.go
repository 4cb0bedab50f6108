package stationlink

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

// patience bounds what a test waits for a process outside; it is no assertion.
const patience = 60 * time.Second

// tool finds a program of the Debian packages of mosquitto.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		// Debian keeps daemons out of the search path of ordinary users.
		path = filepath.Join("/usr/sbin", name)
		if _, err := os.Stat(path); err != nil {
			t.Fatalf("%s is missing: apt-get install mosquitto mosquitto-clients", name)
		}
	}
	return path
}

// mosquitto is a broker that is not our library, with a session store of its own.
type mosquitto struct {
	t    *testing.T
	port string
	conf string
	cmd  *exec.Cmd
}

// newMosquitto prepares a broker on a free loopback port; start starts it.
func newMosquitto(t *testing.T) *mosquitto {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	b := &mosquitto{t: t, port: port, conf: filepath.Join(dir, "mosquitto.conf")}
	conf := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\n", port, dir)
	if os.Geteuid() == 0 {
		conf += "user root\n" // else it could not write to the folder
	}
	if err := os.WriteFile(b.conf, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	return b
}

// secure gives the broker a certificate of its own for 127.0.0.1 and gives the
// authority that vouches for it.
func (b *mosquitto) secure() *x509.CertPool {
	b.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		b.t.Fatal(err)
	}
	about := &x509.Certificate{
		SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
	}
	der, err := x509.CreateCertificate(rand.Reader, about, about, key.Public(), key)
	if err != nil {
		b.t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		b.t.Fatal(err)
	}
	dir := filepath.Dir(b.conf)
	certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	conf, err := os.ReadFile(b.conf)
	if err != nil {
		b.t.Fatal(err)
	}
	for name, text := range map[string][]byte{
		"cert.pem": certificate, "key.pem": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}),
		"mosquitto.conf": fmt.Appendf(conf, "certfile %s/cert.pem\nkeyfile %s/key.pem\n", dir, dir),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			b.t.Fatal(err)
		}
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(certificate)
	return roots
}

func (b *mosquitto) start() *mosquitto {
	b.t.Helper()
	b.cmd = exec.Command(tool(b.t, "mosquitto"), "-c", b.conf)
	var out bytes.Buffer
	b.cmd.Stdout, b.cmd.Stderr = &out, &out
	b.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := b.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	cmd := b.cmd
	b.t.Cleanup(func() {
		if b.cmd == cmd {
			b.stop()
		}
	})
	eventually(b.t, "mosquitto answers", func() bool {
		c, err := net.Dial("tcp", "127.0.0.1:"+b.port)
		if err != nil {
			return false
		}
		return c.Close() == nil
	})
	return b
}

// stop ends the broker in good order, so that it keeps its sessions. A broker that
// has only just begun to listen can miss a signal, so it is asked again.
func (b *mosquitto) stop() {
	b.t.Helper()
	ended := make(chan error, 1)
	go func() { ended <- b.cmd.Wait() }()
	ask, limit := time.NewTicker(time.Second), time.After(patience)
	defer ask.Stop()
	for asked := false; ; asked = true {
		if err := b.cmd.Process.Signal(syscall.SIGTERM); err != nil && !asked {
			b.t.Error(err)
		}
		select {
		case err := <-ended:
			if err != nil {
				b.t.Error(err)
			}
			b.cmd = nil
			return
		case <-limit:
			b.t.Fatalf("mosquitto does not end: %v", errors.Join(errors.New("asked in vain"), b.cmd.Process.Kill()))
		case <-ask.C:
		}
	}
}

func (b *mosquitto) url() string { return "mqtt://127.0.0.1:" + b.port }

// publish sends one message with quality 1 and waits until the broker has it.
func (b *mosquitto) publish(topic, payload string, more ...string) {
	b.t.Helper()
	args := append([]string{"-h", "127.0.0.1", "-p", b.port, "-q", "1", "-t", topic, "-m", payload}, more...)
	if out, err := exec.Command(tool(b.t, "mosquitto_pub"), args...).CombinedOutput(); err != nil {
		b.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// publishLines sends many messages with quality 1.
func (b *mosquitto) publishLines(topic string, lines []string) {
	b.t.Helper()
	cmd := exec.Command(tool(b.t, "mosquitto_pub"), "-h", "127.0.0.1", "-p", b.port, "-q", "1", "-t", topic, "-l")
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// dying connects a client with a last will and kills it once it is connected.
func (b *mosquitto) dying(topic, payload string, more ...string) {
	b.t.Helper()
	b.publish("test/ready", "yes", "-r")
	args := append([]string{"-h", "127.0.0.1", "-p", b.port, "-t", "test/ready", "--will-topic", topic, "--will-payload", payload, "--will-qos", "1"}, more...)
	cmd := exec.Command(tool(b.t, "mosquitto_sub"), args...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	if !bufio.NewScanner(out).Scan() {
		b.t.Error("mosquitto_sub ended before it was connected")
	}
	if err := cmd.Process.Kill(); err != nil {
		b.t.Error(err)
	}
	if err := cmd.Wait(); err == nil {
		b.t.Error("mosquitto_sub was not killed")
	}
}

// eventually looks again and again until something outside has happened.
func eventually(t *testing.T, what string, happened func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !happened() {
		select {
		case <-ctx.Done():
			t.Fatalf("it did not happen that %s", what)
		case <-tick.C:
		}
	}
}

// logged collects log lines.
type logged struct {
	mu    sync.Mutex
	lines bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lines.Write(p)
}

// count says how many lines have the text.
func (l *logged) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := 0
	for line := range strings.Lines(l.lines.String()) {
		if strings.Contains(line, text) {
			n++
		}
	}
	return n
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lines.String()
}

// running is a link under test. Messages that have facts come out of messages,
// one at a time.
type running struct {
	*Link
	log      *logged
	messages chan Message
	stop     func()
}

// run starts a link and stops it at the end of the test, or before by stop.
func run(t *testing.T, url string, p *plant.Plant, change ...func(*Options)) *running {
	t.Helper()
	r := &running{log: &logged{}, messages: make(chan Message)}
	o := Options{URL: url, Plant: p, Log: slog.New(slog.NewTextHandler(r.log, nil))}
	for _, c := range change {
		c(&o)
	}
	l, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	r.Link = l
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- l.Run(ctx, func(m Message) {
			select {
			case r.messages <- m:
			case <-ctx.Done():
			}
		})
	}()
	r.stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Error("Run does not end")
		}
		if l.Connected() {
			t.Error("connected after Run has ended")
		}
	})
	t.Cleanup(func() {
		r.stop()
		if t.Failed() {
			t.Logf("log:\n%s", r.log)
		}
	})
	return r
}

// up starts a link and waits until it is connected.
func up(t *testing.T, url string, p *plant.Plant, change ...func(*Options)) *running {
	t.Helper()
	r := run(t, url, p, change...)
	eventually(t, "the link is connected", r.Connected)
	return r
}

func (r *running) next(t *testing.T) Message {
	t.Helper()
	select {
	case m := <-r.messages:
		return m
	case <-time.After(patience):
		t.Fatalf("no message; log:\n%s", r.log)
		return Message{}
	}
}

// status is a payload of a sequence number.
func status(sequence int) string {
	return fmt.Sprintf(`{"ts":%q,"boot":"b7","seq":%d,"state":"curing"}`, time.Now().UTC().Format(time.RFC3339Nano), sequence)
}

// sequenceOf gives the number of the only event in a message.
func sequenceOf(t *testing.T, m Message) int {
	t.Helper()
	if len(m.Facts.Events) != 1 || m.Facts.Len() != 1 {
		t.Fatalf("not one event: %+v", m)
	}
	return int(m.Facts.Events[0].Sequence)
}
