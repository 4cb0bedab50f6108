// Package identitytest is a small identity provider for tests: discovery, keys,
// authorization and tokens of OpenID Connect, as much as the authorization code
// flow with PKCE needs. It signs in whoever comes, without asking, as the person
// that the test has set.
//
// It holds to what it is told: a code is good once, the verifier must fit the
// challenge, and the client must know its secret. Tests turn single properties of
// the token wrong by changing the claims.
//
// It is written from the standards and shares no code with what it tests.
package identitytest

import (
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"maps"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"
)

// Client is who may ask, and its secret.
const (
	Client = "curetally"
	Secret = "secret-of-the-client"
)

// Issuer is an identity provider on loopback.
type Issuer struct {
	t   testing.TB
	url string
	key *rsa.PrivateKey

	mu     sync.Mutex
	claims map[string]any
	codes  map[string]url.Values // requests by the codes that answered them
}

// Start starts an issuer that ends with the test.
func Start(t testing.TB) *Issuer {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	i := &Issuer{t: t, key: key, codes: map[string]url.Values{}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", i.discovery)
	mux.HandleFunc("GET /keys", i.keys)
	mux.HandleFunc("GET /authorize", i.authorize)
	mux.HandleFunc("POST /token", i.token)
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	i.url = server.URL
	return i
}

// URL is that of the issuer.
func (i *Issuer) URL() string { return i.url }

// Set makes the next person who comes have these claims, beside those that every
// token has; a claim of the same name takes its place.
func (i *Issuer) Set(claims map[string]any) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.claims = claims
}

func (i *Issuer) discovery(w http.ResponseWriter, _ *http.Request) {
	i.send(w, map[string]any{
		"issuer": i.url, "authorization_endpoint": i.url + "/authorize", "token_endpoint": i.url + "/token", "jwks_uri": i.url + "/keys",
		"id_token_signing_alg_values_supported": []string{"RS256"}, "response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"},
	})
}

func (i *Issuer) keys(w http.ResponseWriter, _ *http.Request) {
	i.send(w, map[string]any{"keys": []map[string]string{{
		"kty": "RSA", "alg": "RS256", "use": "sig", "kid": "1",
		"n": b64(i.key.N.Bytes()), "e": b64(big.NewInt(int64(i.key.E)).Bytes()),
	}}})
}

func (i *Issuer) authorize(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	if q.Get("client_id") != Client || q.Get("response_type") != "code" || q.Get("code_challenge_method") != "S256" || q.Get("nonce") == "" || q.Get("state") == "" {
		http.Error(w, "invalid_request", http.StatusBadRequest)
		return
	}
	code := rand.Text()
	i.mu.Lock()
	i.codes[code] = q
	i.mu.Unlock()
	http.Redirect(w, r, q.Get("redirect_uri")+"?"+url.Values{"code": {code}, "state": {q.Get("state")}}.Encode(), http.StatusFound)
}

func (i *Issuer) token(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<16)
	code := r.FormValue("code")
	i.mu.Lock()
	asked, known := i.codes[code]
	delete(i.codes, code)
	own := maps.Clone(i.claims)
	i.mu.Unlock()
	id, secret, ok := r.BasicAuth()
	if !ok {
		id, secret = r.FormValue("client_id"), r.FormValue("client_secret")
	}
	challenge := sha256.Sum256([]byte(r.FormValue("code_verifier")))
	if !known || id != Client || secret != Secret || b64(challenge[:]) != asked.Get("code_challenge") || r.FormValue("redirect_uri") != asked.Get("redirect_uri") {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusBadRequest)
		i.write(w, map[string]any{"error": "invalid_grant"})
		return
	}
	now := time.Now()
	claims := map[string]any{"iss": i.url, "aud": Client, "sub": "4711", "nonce": asked.Get("nonce"), "iat": now.Unix(), "exp": now.Add(time.Minute).Unix()}
	maps.Copy(claims, own)
	i.send(w, map[string]any{"access_token": "x", "token_type": "Bearer", "expires_in": 60, "id_token": i.sign(claims)})
}

// sign writes a JWT by RS256 (RFC 7515).
func (i *Issuer) sign(claims map[string]any) string {
	part := func(v any) string {
		data, err := json.Marshal(v)
		if err != nil {
			i.t.Error(err)
		}
		return b64(data)
	}
	text := part(map[string]string{"alg": "RS256", "kid": "1", "typ": "JWT"}) + "." + part(claims)
	sum := sha256.Sum256([]byte(text))
	signature, err := rsa.SignPKCS1v15(rand.Reader, i.key, crypto.SHA256, sum[:])
	if err != nil {
		i.t.Error(err)
	}
	return text + "." + b64(signature)
}

func (i *Issuer) send(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	i.write(w, v)
}

func (i *Issuer) write(w http.ResponseWriter, v any) {
	if err := json.NewEncoder(w).Encode(v); err != nil {
		i.t.Error(err)
	}
}

func b64(data []byte) string { return base64.RawURLEncoding.EncodeToString(data) }
