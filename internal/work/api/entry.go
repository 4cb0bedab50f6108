package api

import (
	"errors"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"curetally/internal/core/access"
)

// signedIn says in the document that an operation takes a token or a session.
func signedIn() []map[string][]string {
	return []map[string][]string{{"token": {}}, {"session": {}}}
}

// schemes are the ways to say who asks.
func schemes() map[string]*huma.SecurityScheme {
	return map[string]*huma.SecurityScheme{
		"token":   {Type: "http", Scheme: "bearer", Description: "A token made with curetally token make. It may do what its role and that of its person both may."},
		"session": {Type: "apiKey", In: "cookie", Name: "__Host-curetally", Description: "The session of a browser that signed in on the pages; without TLS its name is curetally."},
	}
}

// actionOf gives the action of package access that an operation is: an act has its
// own, and so has a list that not everybody may see; all else is looking.
func actionOf(op *huma.Operation) access.Action {
	a := access.Action(op.OperationID)
	if _, own := access.LeastFor(a); own || op.Method != http.MethodGet {
		return a
	}
	return access.Look
}

// need notes an act of which no table says who may do it.
func (a *API) need(act access.Action) {
	if _, ok := access.LeastFor(act); !ok {
		a.ungoverned = append(a.ungoverned, string(act))
	}
}

// admit asks, before anything of a request is read, whether the person may do it.
func (a *API) admit(ctx huma.Context, next func(huma.Context)) {
	err := access.Allow(ctx.Context(), actionOf(ctx.Operation()))
	if err == nil {
		next(ctx)
		return
	}
	status, text := http.StatusUnauthorized, "Sign in, or give a valid token as Authorization: Bearer TOKEN."
	if denied, ok := errors.AsType[*access.Denied](err); ok {
		status, text = http.StatusForbidden, denied.Error()
	}
	_ = huma.WriteErr(a.huma, ctx, status, text) // a reader who has left is told nothing
}
