// Package identity lets people sign in at an identity provider of the plant by
// OpenID Connect: the authorization code flow with PKCE, state and nonce. What it
// gives is who somebody is there and the role that a claim of theirs stands for;
// who comes in is decided elsewhere.
//
// The provider is asked for its endpoints when they are first needed, so that a
// provider that is away neither stops a start nor anybody who signs in by
// password. Its keys are fetched anew when it signs with one that is not known.
//
// Who has none of the roles that the configuration names is not let in: a provider
// knows many people that are no business of the press.
package identity

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"curetally/internal/core/access"
)

// Options are what a provider is built from. All fields are required.
type Options struct {
	Issuer   string // URL
	ClientID string
	Secret   string
	// Return is the URL to which the provider sends people back.
	Return string
	// Label is what people call the provider.
	Label string
	// NameClaim gives the name for records, RoleClaim the text or texts of which
	// Roles says what they stand for; the most that one stands for counts.
	NameClaim, RoleClaim string
	Roles                map[string]access.Role
	// Now is the clock by which tokens expire.
	Now func() time.Time
}

const (
	askTimeout = 10 * time.Second // for one request to the provider
	askAgain   = 10 * time.Second // after it did not answer
)

// Provider is an identity provider. Build it with New; it is safe for concurrent
// use.
type Provider struct {
	o      Options
	client *http.Client

	mu       sync.Mutex
	provider *oidc.Provider // nil until it has answered
	failed   error          // of the last try
	tried    time.Time
}

// New takes what the configuration says; nothing is asked yet.
func New(o Options) (*Provider, error) {
	if o.Issuer == "" || o.ClientID == "" || o.Secret == "" || o.Return == "" || o.Label == "" || o.NameClaim == "" || o.RoleClaim == "" || len(o.Roles) == 0 || o.Now == nil {
		return nil, errors.New("identity: a field of Options is missing")
	}
	return &Provider{o: o, client: &http.Client{Timeout: askTimeout}}, nil
}

// Label is what people call the provider.
func (p *Provider) Label() string { return p.o.Label }

// known gives the provider with its endpoints, asked for once.
func (p *Provider) known(ctx context.Context) (*oidc.Provider, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.o.Now()
	if p.provider != nil || p.failed != nil && now.Sub(p.tried) < askAgain {
		return p.provider, p.failed
	}
	p.tried = now
	found, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), p.client), p.o.Issuer)
	if err != nil {
		p.failed = fmt.Errorf("identity provider %s: %w — check web.oidc.issuer and that it answers", p.o.Issuer, err)
		return nil, p.failed
	}
	p.provider, p.failed = found, nil
	return found, nil
}

func (p *Provider) config(known *oidc.Provider) *oauth2.Config {
	return &oauth2.Config{
		ClientID: p.o.ClientID, ClientSecret: p.o.Secret, Endpoint: known.Endpoint(), RedirectURL: p.o.Return,
		Scopes: []string{oidc.ScopeOpenID, "profile"},
	}
}

// Ask gives the address at which the person of a trip signs in.
func (p *Provider) Ask(ctx context.Context, t access.Trip) (string, error) {
	known, err := p.known(ctx)
	if err != nil {
		return "", err
	}
	return p.config(known).AuthCodeURL(t.State, oidc.Nonce(t.Nonce), oauth2.S256ChallengeOption(t.Verifier)), nil
}

// Answer exchanges the code that the provider sent back for who somebody is. The
// error is access.ErrNotAdmitted where they are known there and not let in here.
func (p *Provider) Answer(ctx context.Context, code string, t access.Trip) (access.Identity, error) {
	var who access.Identity
	known, err := p.known(ctx)
	if err != nil {
		return who, err
	}
	ctx = oidc.ClientContext(ctx, p.client)
	token, err := p.config(known).Exchange(ctx, code, oauth2.VerifierOption(t.Verifier))
	if err != nil {
		return who, fmt.Errorf("identity provider %s: exchange of the code: %w", p.o.Issuer, err)
	}
	raw, _ := token.Extra("id_token").(string)
	id, err := known.VerifierContext(ctx, &oidc.Config{ClientID: p.o.ClientID, Now: p.o.Now}).Verify(ctx, raw)
	if err != nil {
		return who, fmt.Errorf("identity provider %s: its token: %w", p.o.Issuer, err)
	}
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(t.Nonce)) != 1 {
		return who, fmt.Errorf("identity provider %s: its token is of another sign-in", p.o.Issuer)
	}
	var claims map[string]any
	if err := id.Claims(&claims); err != nil {
		return who, fmt.Errorf("identity provider %s: claims: %w", p.o.Issuer, err)
	}
	who = access.Identity{Outside: id.Issuer + " " + id.Subject, Role: p.role(claims[p.o.RoleClaim])}
	who.Name, _ = claims[p.o.NameClaim].(string)
	if err := access.CheckName(who.Name); err != nil {
		return who, fmt.Errorf("%w: your account at %s has no usable %s: %w", access.ErrNotAdmitted, p.o.Label, p.o.NameClaim, err)
	}
	if who.Role == "" {
		return who, fmt.Errorf("%w: your account at %s has none of the roles that are let in here", access.ErrNotAdmitted, p.o.Label)
	}
	return who, nil
}

// role is the one that may most of those that a claim stands for; none for none.
func (p *Provider) role(claim any) access.Role {
	var texts []string
	switch c := claim.(type) {
	case string:
		texts = []string{c}
	case []any:
		for _, v := range c {
			if s, ok := v.(string); ok {
				texts = append(texts, s)
			}
		}
	}
	var most access.Role
	for _, text := range texts {
		if r := p.o.Roles[text]; r.Known() && access.Least(most, r) == most {
			most = r
		}
	}
	return most
}
