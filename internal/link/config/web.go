package config

import (
	"net/url"
	"strings"
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
}

// Host is the part of the address that requests carry in their Host header.
func (w Web) Host() string {
	_, host, _ := strings.Cut(w.Address, "://")
	return host
}

type webSpec struct {
	Address string  `yaml:"address"`
	TLS     tlsSpec `yaml:"tls"`
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
}
