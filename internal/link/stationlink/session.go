package stationlink

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"slices"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

const (
	mqtt311        = 4
	atLeastOnce    = 1
	filterRefused  = 0x80 // Source: MQTT 3.1.1 section 3.9.3
	connectTimeout = 10 * time.Second
	answerTimeout  = 10 * time.Second
	writeTimeout   = 10 * time.Second
	pingTimeout    = 5 * time.Second
	// partingMillis is how long the parting from a broker may take.
	partingMillis = 2000
)

// errNoAnswer is a broker that takes the connection and then says nothing.
var errNoAnswer = errors.New("the broker does not answer")

// session is one connection with its subscription. The library's own reconnect
// is not used: its pauses cannot be ended, and a client that was disconnected
// must not be used again.
type session struct {
	client  mqtt.Client
	lost    chan error // of capacity 1
	up      atomic.Bool
	end     context.CancelFunc // frees whoever waits in a handler
	refused []string           // filters
}

// open connects and subscribes. The session must be closed also when it fails.
func (l *Link) open(ctx context.Context, queue chan<- arrival) (*session, error) {
	s := &session{lost: make(chan error, 1)}
	ctx, s.end = context.WithCancel(ctx)
	s.client = mqtt.NewClient(l.clientOptions(ctx, s, queue))
	if err := outcome(s.client.Connect(), 3*connectTimeout); err != nil {
		return s, fmt.Errorf("connect: %w", err)
	}
	s.up.Store(true)
	if len(l.filters) == 0 {
		return s, nil
	}
	// Without a callback all messages go to the one default handler, so that
	// none comes twice and none without a handler.
	token := s.client.SubscribeMultiple(l.filters, nil)
	if err := outcome(token, answerTimeout); err != nil {
		return s, fmt.Errorf("subscribe: %w", err)
	}
	granted := token.(*mqtt.SubscribeToken).Result()
	for _, f := range slices.Sorted(maps.Keys(l.filters)) {
		// A refusal by the broker is no error to the library.
		if granted[f] == filterRefused {
			s.refused = append(s.refused, f)
		}
	}
	return s, nil
}

// outcome waits for a token, never without a limit.
func outcome(t mqtt.Token, limit time.Duration) error {
	if !t.WaitTimeout(limit) {
		return errNoAnswer
	}
	return t.Error()
}

// close parts from the broker; the session there stays.
func (s *session) close() {
	s.end()
	s.client.Disconnect(partingMillis)
}

func (l *Link) clientOptions(ctx context.Context, s *session, queue chan<- arrival) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().SetClientID(l.o.ClientID).SetProtocolVersion(mqtt311).
		SetUsername(l.o.Username).SetPassword(l.o.Password).
		SetCleanSession(false).SetAutoAckDisabled(true).SetOrderMatters(true).
		SetAutoReconnect(false).SetConnectRetry(false).
		SetKeepAlive(l.o.KeepAlive).SetPingTimeout(pingTimeout).SetWriteTimeout(writeTimeout).SetConnectTimeout(connectTimeout)
	o.Servers = []*url.URL{l.server}
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { l.enqueue(ctx, queue, m) })
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case s.lost <- err:
		default:
		}
	})
	o.SetCustomOpenConnectionFn(func(u *url.URL, _ mqtt.ClientOptions) (net.Conn, error) {
		conn, err := dial(ctx, u, l.o.TLS)
		if err != nil {
			return nil, err
		}
		// The library waits for the broker's welcome without regard to ctx.
		context.AfterFunc(ctx, func() {
			if !s.up.Load() {
				_ = conn.Close()
			}
		})
		return conn, nil
	})
	return o
}

// dial opens the network connection.
func dial(ctx context.Context, u *url.URL, settings *tls.Config) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	if settings == nil {
		settings = &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	}
	switch u.Scheme {
	case "ws", "wss":
		return mqtt.NewWebsocket(u.String(), settings, connectTimeout, nil, &mqtt.WebsocketOptions{})
	case "mqtts", "ssl", "tls":
		return (&tls.Dialer{Config: settings}).DialContext(ctx, "tcp", u.Host)
	default:
		return (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
	}
}

// remedy says what a person can do about a connection that fails.
func remedy(err error) string {
	_, unknownCA := errors.AsType[x509.UnknownAuthorityError](err)
	_, wrongName := errors.AsType[x509.HostnameError](err)
	_, invalid := errors.AsType[x509.CertificateInvalidError](err)
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return "correct broker.username and the password"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return "choose another broker.client_id"
	case unknownCA, wrongName, invalid:
		return "correct broker.ca_file, or the certificate of the broker"
	default:
		return "check broker.url and that the broker runs"
	}
}
