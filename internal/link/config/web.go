package config

import (
	"fmt"
	"net/netip"
	"net/url"
	"os"
	"strings"

	"curetally/internal/core/access"
)

// Web says how the pages are reached.
type Web struct {
	// Address is where people reach the pages, as scheme://host[:port]; empty when
	// not given.
	Address string
	// Certificate and Key are PEM files; empty for no TLS here.
	Certificate, Key string
	// ByProxy says that a reverse proxy ends TLS and passes requests on.
	ByProxy bool
	// OIDC is where people may sign in elsewhere; nil for nowhere.
	OIDC *OIDC
}

// OIDC is an identity provider that speaks OpenID Connect.
type OIDC struct {
	Issuer   string
	ClientID string
	Secret   Secret
	Label    string // what people call it
	// NameClaim gives the name for records; of RoleClaim's texts Roles says what they
	// stand for.
	NameClaim, RoleClaim string
	Roles                map[string]access.Role
}

// Host is the part of the address that requests carry in their Host header.
func (w Web) Host() string {
	_, host, _ := strings.Cut(w.Address, "://")
	return host
}

type webSpec struct {
	Address string    `yaml:"address"`
	TLS     tlsSpec   `yaml:"tls"`
	OIDC    *oidcSpec `yaml:"oidc"`
}

type oidcSpec struct {
	Issuer     string     `yaml:"issuer,required"`
	ClientID   string     `yaml:"client_id,required"`
	Secret     Secret     `yaml:"client_secret"`
	SecretFile string     `yaml:"client_secret_file"`
	SecretEnv  string     `yaml:"client_secret_env"` // name of a variable
	Label      string     `yaml:"label"`
	NameClaim  string     `yaml:"name_claim"`
	RoleClaim  string     `yaml:"role_claim"`
	Roles      []roleSpec `yaml:"roles,required"`
}

func (s *oidcSpec) SetDefaults() {
	s.Label, s.NameClaim, s.RoleClaim = "the plant's account", "preferred_username", "roles"
}

// roleSpec says what a text of the claim stands for.
type roleSpec struct {
	Claim string `yaml:"claim,required"`
	Role  string `yaml:"role,required"`
}

type tlsSpec struct {
	Certificate string `yaml:"certificate"`
	Key         string `yaml:"key"`
	ByProxy     bool   `yaml:"by_proxy"`
}

func (b *builder) web() {
	s := b.in.Web
	w := Web{Address: strings.TrimSuffix(s.Address, "/"), Certificate: b.path(s.TLS.Certificate), Key: b.path(s.TLS.Key), ByProxy: s.TLS.ByProxy}
	b.settings.Web = w
	encrypted := w.Certificate != "" || w.ByProxy
	if w.Address != "" {
		u, err := url.Parse(w.Address)
		switch {
		case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.Path != "" || u.RawQuery != "" || u.User != nil || u.Fragment != "":
			b.report("web.address", "not the address of pages", "write scheme, host and port alone, for example https://press.example:8460")
		case (u.Scheme == "https") != encrypted:
			b.report("web.address", "does not agree with web.tls", "write https:// where web.tls is given, http:// where it is not")
		}
	}
	if (s.TLS.Certificate == "") != (s.TLS.Key == "") {
		b.report("web.tls", "certificate and key are of use only together", "give both, or neither")
	}
	if s.TLS.ByProxy && s.TLS.Certificate != "" {
		b.report("web.tls.by_proxy", "TLS cannot end here and at a proxy", "remove certificate and key, or by_proxy")
	}
	for _, f := range []struct{ key, given, path string }{{"certificate", s.TLS.Certificate, w.Certificate}, {"key", s.TLS.Key, w.Key}} {
		if f.given == "" {
			continue
		}
		if _, err := readFile(f.path); err != nil {
			b.unreadable("web.tls."+f.key, err)
		}
	}
	if s.OIDC != nil {
		b.settings.Web.OIDC = b.oidc(*s.OIDC)
	}
}

// oidc reads where people may sign in elsewhere.
func (b *builder) oidc(s oidcSpec) *OIDC {
	o := &OIDC{
		Issuer: s.Issuer, ClientID: s.ClientID, Label: s.Label, NameClaim: s.NameClaim, RoleClaim: s.RoleClaim,
		Secret: b.secret("web.oidc.client_secret", s.Secret, s.SecretFile), Roles: map[string]access.Role{},
	}
	if s.SecretEnv != "" {
		if o.Secret.IsSet() {
			b.report("web.oidc.client_secret_env", "the secret is given twice", "keep one of client_secret_file and client_secret_env")
		}
		o.Secret = NewSecret(os.Getenv(s.SecretEnv))
	}
	if !o.Secret.IsSet() {
		b.report("web.oidc.client_secret", "there is no secret", "write client_secret_file, or client_secret_env with the name of a variable that is set")
	}
	if b.in.Web.Address == "" {
		b.report("web.oidc", "nobody could be sent back here", "add web.address, and register it with the provider followed by /signin/back")
	}
	if u, err := url.Parse(s.Issuer); err != nil || u.Host == "" || u.Scheme != "https" && (u.Scheme != "http" || !isLoopback(u.Hostname())) {
		b.report("web.oidc.issuer", "not the address of an identity provider", "write for example https://id.example.net/realms/plant; http is for this machine only")
	}
	if s.Label == "" || s.NameClaim == "" || s.RoleClaim == "" {
		b.report("web.oidc", "label, name_claim or role_claim is empty", "write it, or remove the key")
	}
	for i, r := range s.Roles {
		if err := access.CheckRole(access.Role(r.Role)); err != nil {
			b.reportf(fmt.Sprintf("web.oidc.roles[%d].role", i), "write reader, planner or engineer", "unknown role %q", r.Role)
		}
		o.Roles[r.Claim] = access.Role(r.Role)
	}
	if len(s.Roles) == 0 {
		b.report("web.oidc.roles", "nobody would be let in", "list at least one claim with the role that it stands for")
	}
	return o
}

func isLoopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}
