// Package mosquitto runs a real MQTT broker, Mosquitto of the Debian packages, for
// tests. It is no part of the program: what the program is tested against must not
// be the library that it uses itself.
//
// A broker listens on a free loopback port and keeps its sessions in a folder of
// the test, so that it can be stopped and started again. It ends with the test, also
// when that is killed.
package mosquitto

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
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"
)

// patience bounds what a test waits for a process outside; it is no assertion.
const patience = 60 * time.Second

// tool finds a program of the Debian packages of mosquitto.
func tool(t testing.TB, name string) string {
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

// Broker is a broker that is not our library, with a session store of its own.
type Broker struct {
	t     testing.TB
	port  string
	conf  string
	cmd   *exec.Cmd
	ended <-chan error // how it ended; nothing before
}

// New prepares a broker on a free loopback port; Start starts it.
func New(t testing.TB) *Broker {
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
	return At(t, port)
}

// At prepares a broker on a given loopback port.
func At(t testing.TB, port string) *Broker {
	t.Helper()
	dir := t.TempDir()
	b := &Broker{t: t, port: port, conf: filepath.Join(dir, "mosquitto.conf")}
	conf := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\n", port, dir)
	if os.Geteuid() == 0 {
		conf += "user root\n" // else it could not write to the folder
	}
	if err := os.WriteFile(b.conf, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	return b
}

// Secure gives the broker a certificate of its own for 127.0.0.1 and gives the
// authority that vouches for it.
func (b *Broker) Secure() *x509.CertPool {
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

// Start starts the broker and waits until it answers.
func (b *Broker) Start() *Broker {
	b.t.Helper()
	b.cmd = exec.Command(tool(b.t, "mosquitto"), "-c", b.conf)
	var out bytes.Buffer
	b.cmd.Stdout, b.cmd.Stderr = &out, &out
	b.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	cmd, started := b.cmd, make(chan error)
	ended := make(chan error, 1)
	b.ended = ended
	go func() {
		// The parent-death signal belongs to the thread that forks, so that stays.
		runtime.LockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			ended <- cmd.Wait()
		}
	}()
	if err := <-started; err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() {
		if b.cmd == cmd {
			b.Stop()
		}
	})
	Eventually(b.t, "mosquitto answers", func() bool {
		c, err := net.Dial("tcp", "127.0.0.1:"+b.port)
		if err != nil {
			return false
		}
		return c.Close() == nil
	})
	return b
}

// Stop ends the broker in good order, so that it keeps its sessions. A broker that
// has only just begun to listen can miss a signal, so it is asked again.
func (b *Broker) Stop() {
	b.t.Helper()
	ask, limit := time.NewTicker(time.Second), time.After(patience)
	defer ask.Stop()
	for asked := false; ; asked = true {
		if err := b.cmd.Process.Signal(syscall.SIGTERM); err != nil && !asked {
			b.t.Error(err)
		}
		select {
		case err := <-b.ended:
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

// Port is the port on which it listens.
func (b *Broker) Port() string { return b.port }

// URL is where it listens, without TLS.
func (b *Broker) URL() string { return "mqtt://127.0.0.1:" + b.port }

// Publish sends one message with quality 1 and waits until the broker has it.
func (b *Broker) Publish(topic, payload string, more ...string) {
	b.t.Helper()
	args := append([]string{"-h", "127.0.0.1", "-p", b.port, "-q", "1", "-t", topic, "-m", payload}, more...)
	if out, err := exec.Command(tool(b.t, "mosquitto_pub"), args...).CombinedOutput(); err != nil {
		b.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// PublishLines sends many messages with quality 1.
func (b *Broker) PublishLines(topic string, lines []string) {
	b.t.Helper()
	cmd := exec.Command(tool(b.t, "mosquitto_pub"), "-h", "127.0.0.1", "-p", b.port, "-q", "1", "-t", topic, "-l")
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// Dying connects a client with a last will and kills it once it is connected.
func (b *Broker) Dying(topic, payload string, more ...string) {
	b.t.Helper()
	b.Publish("test/ready", "yes", "-r")
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

// Eventually looks again and again until something outside has happened.
func Eventually(t testing.TB, what string, happened func() bool) {
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

// Retained gives what the broker holds below a prefix, by topic: what a client that
// subscribes now is sent at once.
func (b *Broker) Retained(prefix string) map[string]string {
	b.t.Helper()
	b.Publish("test/end", "end", "-r")
	// One subscription in this order, so that the end comes last.
	cmd := exec.Command(tool(b.t, "mosquitto_sub"), "-h", "127.0.0.1", "-p", b.port, "-q", "1", "-v", "-t", prefix+"/#", "-t", "test/end")
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	all := map[string]string{}
	for lines := bufio.NewScanner(out); lines.Scan(); {
		topic, payload, _ := strings.Cut(lines.Text(), " ")
		if topic == "test/end" {
			break
		}
		all[topic] = payload
	}
	if err := cmd.Process.Kill(); err != nil {
		b.t.Error(err)
	}
	if err := cmd.Wait(); err == nil {
		b.t.Error("mosquitto_sub ended by itself")
	}
	return all
}

// Forget removes what a stopped broker has kept on disk.
func (b *Broker) Forget() {
	b.t.Helper()
	if err := os.Remove(filepath.Join(filepath.Dir(b.conf), "mosquitto.db")); err != nil {
		b.t.Fatal(err)
	}
}
