package identity

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/access"
	"curetally/internal/link/identity/identitytest"
)

func provider(t *testing.T, issuer string, change func(*Options)) *Provider {
	t.Helper()
	o := Options{
		Issuer: issuer, ClientID: identitytest.Client, Secret: identitytest.Secret, Return: "https://press.example/signin/back",
		Label: "Alder Lane", NameClaim: "preferred_username", RoleClaim: "groups", Now: time.Now,
		Roles: map[string]access.Role{"press-planners": access.Planner, "press-all": access.Reader},
	}
	if change != nil {
		change(&o)
	}
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// goThere follows the address to sign in at, as a browser does, and gives the code
// that is sent back.
func goThere(t *testing.T, p *Provider, trip access.Trip) string {
	t.Helper()
	at, err := p.Ask(t.Context(), trip)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, at, nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	back, err := url.Parse(res.Header.Get("Location"))
	if err != nil || back.Host != "press.example" || back.Query().Get("state") != trip.State {
		t.Fatalf("sent back to %v: %v", back, err)
	}
	return back.Query().Get("code")
}

func trip() access.Trip {
	return access.Trip{State: "state-1", Nonce: "nonce-1", Verifier: strings.Repeat("v", 43)}
}

func TestAnswer(t *testing.T) {
	issuer := identitytest.Start(t)
	p := provider(t, issuer.URL(), nil)
	good := map[string]any{"preferred_username": "Ann", "groups": []string{"sales", "press-all", "press-planners"}}
	with := func(name string, v any) map[string]any {
		c := map[string]any{name: v}
		for k, v := range good {
			if _, ok := c[k]; !ok {
				c[k] = v
			}
		}
		return c
	}
	for _, c := range []struct {
		name   string
		claims map[string]any
		role   access.Role // of who comes in; empty for nobody
		turned bool        // away as somebody known
	}{
		{"the most of several roles", good, access.Planner, false},
		{"one role as text", with("groups", "press-all"), access.Reader, false},
		{"no role here", with("groups", []string{"sales"}), "", true},
		{"no roles at all", with("groups", 7), "", true},
		{"no name", with("preferred_username", ""), "", true},
		{"of another sign-in", with("nonce", "other"), "", false},
		{"for another program", with("aud", "other"), "", false},
		{"of another issuer", with("iss", "https://evil.example"), "", false},
		{"expired", with("exp", time.Now().Add(-time.Hour).Unix()), "", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			issuer.Set(c.claims)
			who, err := p.Answer(t.Context(), goThere(t, p, trip()), trip())
			if c.role != "" {
				want := access.Identity{Outside: issuer.URL() + " 4711", Name: "Ann", Role: c.role}
				if err != nil || who != want {
					t.Errorf("%+v, %v; want %+v", who, err, want)
				}
				return
			}
			if err == nil || errors.Is(err, access.ErrNotAdmitted) != c.turned {
				t.Errorf("%+v, %v", who, err)
			}
		})
	}
	issuer.Set(good)
	code := goThere(t, p, trip())
	other := trip()
	other.Verifier = strings.Repeat("w", 43)
	if _, err := p.Answer(t.Context(), code, other); err == nil {
		t.Error("a code that was caught is taken without its verifier")
	}
	code = goThere(t, p, trip())
	if _, err := p.Answer(t.Context(), code, trip()); err != nil {
		t.Error(err)
	}
	if _, err := p.Answer(t.Context(), code, trip()); err == nil {
		t.Error("a code is good twice")
	}
	wrong := provider(t, issuer.URL(), func(o *Options) { o.Secret = "another" })
	if _, err := wrong.Answer(t.Context(), goThere(t, wrong, trip()), trip()); err == nil || strings.Contains(err.Error(), "another") {
		t.Errorf("with a wrong secret: %v", err)
	}
}

// A provider that is away is asked again after a while, not at each request.
func TestProviderAway(t *testing.T) {
	issuer := identitytest.Start(t)
	now, at := time.Now(), issuer.URL()
	p := provider(t, "http://127.0.0.1:1", func(o *Options) { o.Now = func() time.Time { return now } })
	_, first := p.Ask(t.Context(), trip())
	if first == nil || !strings.Contains(first.Error(), "web.oidc.issuer") {
		t.Errorf("away: %v", first)
	}
	p.o.Issuer = at
	if _, err := p.Ask(t.Context(), trip()); !errors.Is(err, first) {
		t.Errorf("asked again at once: %v", err)
	}
	now = now.Add(askAgain)
	if _, err := p.Ask(t.Context(), trip()); err != nil {
		t.Errorf("asked again after a while: %v", err)
	}
	if _, err := New(Options{}); err == nil {
		t.Error("a provider of nothing")
	}
}
