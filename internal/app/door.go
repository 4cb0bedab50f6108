package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/link/certificate"
	"curetally/internal/link/config"
	"curetally/internal/link/identity"
	"curetally/internal/link/store"
	"curetally/internal/work/pages"
	"curetally/internal/work/signin"
	"curetally/internal/work/web"
)

// entrance is how the pages are reached.
type entrance struct {
	loopback bool // from this machine only
	tls      *tls.Config
	secure   bool // by TLS, here or at a proxy
}

// newEntrance checks the address and reads the certificate. Passwords and sessions
// never go over a network in clear.
func (d *Daemon) newEntrance(addr string) (entrance, error) {
	w := d.o.Config.Settings.Web
	e := entrance{secure: w.Certificate != "" || w.ByProxy}
	var err error
	if e.loopback, err = web.OnLoopback(addr); err != nil {
		return e, err
	}
	if !e.loopback && !e.secure {
		return e, fmt.Errorf("listen address %q: passwords would go over the network in clear: give web.tls a certificate and its key in the configuration, "+
			"or by_proxy: true where a reverse proxy ends TLS; or listen on 127.0.0.1, [::1] or localhost and reach it by an SSH tunnel", addr)
	}
	if w.Certificate != "" {
		k, err := certificate.New(certificate.Files{Certificate: w.Certificate, Key: w.Key}, time.Now, d.log)
		if err != nil {
			return e, err
		}
		e.tls = k.Config()
	}
	return e, nil
}

// scheme of the addresses of the pages.
func (e entrance) scheme() string {
	if e.tls != nil {
		return "https://"
	}
	return "http://"
}

// named says under which names beside those of this machine posts are taken: the
// configured one, and where none is, any that a network uses; a session's cookie
// goes to the name alone under which its person signed in.
func (e entrance) named(w config.Web) func(host string) bool {
	if w.Host() != "" {
		return func(host string) bool { return strings.EqualFold(host, w.Host()) }
	}
	return func(string) bool { return !e.loopback }
}

// newDoor builds what stands before the pages. Where the network reaches them
// somebody must be there who can sign in.
func (d *Daemon) newDoor(ctx context.Context, looks *pages.Pages) (*signin.Door, error) {
	w := d.o.Config.Settings.Web
	if !d.entrance.loopback && w.OIDC == nil {
		if err := someoneCanSignIn(ctx, d.store, d.listener.Addr()); err != nil {
			return nil, err
		}
	}
	o := signin.Options{
		People: d.store, Sessions: d.store, Tokens: d.store, Always: !d.entrance.loopback || w.OIDC != nil, Secure: d.entrance.secure, Proxied: w.ByProxy,
		Unknown: func(err error) bool { return errors.Is(err, store.ErrNotFound) }, Now: time.Now, Log: d.log, Words: looks.Words,
		Admission: d.store, Taken: func(err error) bool { return errors.Is(err, store.ErrConflict) },
	}
	if x := w.OIDC; x != nil {
		p, err := identity.New(identity.Options{
			Issuer: x.Issuer, ClientID: x.ClientID, Secret: x.Secret.Reveal(), Return: w.Address + "/signin/back", Label: x.Label,
			NameClaim: x.NameClaim, RoleClaim: x.RoleClaim, Roles: x.Roles, Now: time.Now,
		})
		if err != nil {
			return nil, err
		}
		o.Outside = p
	}
	return signin.New(o)
}

func someoneCanSignIn(ctx context.Context, db *store.DB, addr net.Addr) error {
	people, err := db.People(ctx)
	if err != nil {
		return fmt.Errorf("who may sign in: %w", err)
	}
	if slices.ContainsFunc(people, func(a access.Account) bool { return !a.Disabled && a.Password != "" }) {
		return nil
	}
	return fmt.Errorf("listen address %s: nobody could sign in: add a person first with curetally person add NAME --role engineer --by YOU, "+
		"then start again; or listen on 127.0.0.1, [::1] or localhost, where pages are open until somebody is added", addr)
}
