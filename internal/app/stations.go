package app

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config"
	"curetally/internal/link/stationlink"
	"curetally/internal/work/record"
)

// stations receives station and press messages and hands them to the inbox;
// each is acknowledged to the broker once it is durable.
type stations struct {
	link  *stationlink.Link
	inbox chan<- record.Delivery
	heard func([]plant.StationEvent)
}

// newStations gives nil when no broker is configured.
func newStations(c *config.Config, inbox chan<- record.Delivery, heard func([]plant.StationEvent), now func() time.Time, log *slog.Logger) (*stations, error) {
	b := c.Settings.Broker
	if b.URL == "" {
		return nil, nil
	}
	security, err := brokerTLS(b)
	if err != nil {
		return nil, err
	}
	link, err := stationlink.New(stationlink.Options{
		URL: b.URL, ClientID: b.ClientID, Username: b.Username, Password: b.Password.Reveal(),
		TLS: security, KeepAlive: b.KeepAlive, Plant: &c.Plant, Now: now, Log: log,
	})
	if err != nil {
		return nil, err
	}
	return &stations{link: link, inbox: inbox, heard: heard}, nil
}

func (s *stations) run(ctx context.Context) error {
	return s.link.Run(ctx, func(m stationlink.Message) {
		s.heard(m.Facts.Events)
		select {
		case <-ctx.Done(): // not acknowledged: the broker sends it again
		case s.inbox <- record.Delivery{Facts: m.Facts, Done: m.Ack}:
		}
	})
}

func (s *stations) connected() bool { return s.link.Connected() }

// brokerTLS reads the certificates of a broker; nil for a plain connection.
func brokerTLS(b config.Broker) (*tls.Config, error) {
	u, err := url.Parse(b.URL)
	if err != nil {
		return nil, fmt.Errorf("broker.url: %w", err)
	}
	if u.Scheme == "tcp" || u.Scheme == "mqtt" {
		return nil, nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	if b.CAFile != "" {
		pem, err := os.ReadFile(b.CAFile)
		if err != nil {
			return nil, fmt.Errorf("broker.ca_file: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("broker.ca_file %s: no certificate in it — expected PEM", b.CAFile)
		}
	}
	if b.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("broker.cert_file: %w", err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return t, nil
}
