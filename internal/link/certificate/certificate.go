// Package certificate keeps the TLS certificate of the pages, which is renewed by
// others every few weeks while the program runs. Files that have changed are read
// again at the next connection, without a restart.
//
// A new pair that cannot be used is logged once and the old one stays in use: for
// the moments in which a renewal has written one file and not yet the other, and
// for a mistake that nobody should notice by pages that are gone.
//
// Nothing runs in the background; files are looked at when a connection comes, at
// most every few seconds.
package certificate

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// lookEvery is how often files are looked at.
const lookEvery = 5 * time.Second

// Files are the paths of a pair in PEM: the certificate with its chain, and its
// private key.
type Files struct{ Certificate, Key string }

// Keeper keeps the pair. Build it with New; it is safe for concurrent use.
type Keeper struct {
	files Files
	now   func() time.Time
	log   *slog.Logger

	mu      sync.Mutex
	pair    *tls.Certificate
	stamp   stamp     // of the files that were read last, usable or not
	looked  time.Time // at the files
	trouble string    // with the newest files; empty when they are in use
}

// stamp tells whether files have changed.
type stamp struct {
	certificate, key         time.Time
	certificateSize, keySize int64
}

// New reads the pair. The error names the file and what to do.
func New(f Files, now func() time.Time, log *slog.Logger) (*Keeper, error) {
	k := &Keeper{files: f, now: now, log: log.With("component", "certificate"), looked: now()}
	s, err := k.look()
	if err != nil {
		return nil, err
	}
	k.stamp = s
	if k.pair, err = k.read(); err != nil {
		return nil, err
	}
	return k, nil
}

// Config is for a server: TLS 1.2 or newer.
func (k *Keeper) Config() *tls.Config {
	return &tls.Config{
		MinVersion:     tls.VersionTLS12,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return k.current(), nil },
	}
}

// current gives the pair that is in use, read anew where the files have changed.
func (k *Keeper) current() *tls.Certificate {
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.now()
	if now.Sub(k.looked) < lookEvery {
		return k.pair
	}
	k.looked = now
	s, err := k.look()
	if err == nil && s == k.stamp {
		return k.pair
	}
	var pair *tls.Certificate
	if err == nil {
		k.stamp = s
		pair, err = k.read()
	}
	if err != nil {
		if k.trouble != err.Error() {
			k.log.Error("the new certificate cannot be used; the old one stays in use", "err", err)
			k.trouble = err.Error()
		}
		return k.pair
	}
	k.pair, k.trouble = pair, ""
	k.log.Info("new certificate in use", "until", pair.Leaf.NotAfter)
	return k.pair
}

func (k *Keeper) look() (stamp, error) {
	c, errC := os.Stat(k.files.Certificate)
	p, errP := os.Stat(k.files.Key)
	if err := errors.Join(errC, errP); err != nil {
		return stamp{}, fmt.Errorf("certificate of the pages: %w — correct web.tls in the configuration, or the files' permissions", err)
	}
	return stamp{c.ModTime(), p.ModTime(), c.Size(), p.Size()}, nil
}

func (k *Keeper) read() (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(k.files.Certificate, k.files.Key)
	if err != nil {
		return nil, fmt.Errorf("certificate %s with key %s: %w — expected a certificate with its chain and its own key, both in PEM", k.files.Certificate, k.files.Key, err)
	}
	return &pair, nil
}
