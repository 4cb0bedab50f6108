package api

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"

	"curetally/internal/core/access"
)

// Every operation of the document is asked for by nobody and by each role, and lets
// in those that the table of package access names, and nobody else.
func TestRoles_EveryOperation(t *testing.T) {
	a := build(t)
	acts := 0
	for path, item := range a.huma.OpenAPI().Paths {
		for method, op := range map[string]*huma.Operation{http.MethodGet: item.Get, http.MethodPost: item.Post, http.MethodPut: item.Put, http.MethodDelete: item.Delete, http.MethodPatch: item.Patch} {
			if op == nil {
				continue
			}
			if len(op.Security) != 2 {
				t.Errorf("%s: the document does not say that one must sign in", op.OperationID)
			}
			if op.OperationID == "get-overview" { // package web serves it
				continue
			}
			if method != http.MethodGet {
				acts++
			}
			t.Run(op.OperationID, func(t *testing.T) {
				q := request{method, Prefix + places().Replace(path), strings.Replace(bodies()[op.OperationID], `"by":"Ann"`, `"by":""`, 1)}
				if w := askAs(t.Context(), t, a, q); w.Code != http.StatusUnauthorized || !isProblem(w.Header(), w.Body.Bytes()) {
					t.Errorf("nobody: status %d: %s", w.Code, w.Body)
				}
				for _, role := range access.Roles() {
					want := http.StatusForbidden
					if role.May(actionOf(op)) {
						want = http.StatusOK
					}
					w := askAs(access.With(t.Context(), access.Person{Name: "Cleo", Role: role}), t, a, q)
					if w.Code != want || want != http.StatusOK && !isProblem(w.Header(), w.Body.Bytes()) {
						t.Errorf("%s: status %d, want %d: %s", role, w.Code, want, w.Body)
					}
					// What is put on record bears the name of who asked.
					if method == http.MethodPost && want == http.StatusOK && !strings.Contains(w.Body.String(), "Cleo") {
						t.Errorf("%s: recorded %s, not by Cleo", role, w.Body)
					}
				}
			})
		}
	}
	if acts < 14 {
		t.Errorf("%d acts, want at least 14", acts)
	}
}

func isProblem(h http.Header, body []byte) bool {
	var p huma.ErrorModel
	return h.Get("Content-Type") == "application/problem+json" && json.Unmarshal(body, &p) == nil && p.Detail != ""
}

func TestBy_AnotherNameIsRefused(t *testing.T) {
	a := build(t)
	ann := access.With(t.Context(), access.Person{Name: "Ann", Role: access.Planner})
	w := askAs(ann, t, a, request{http.MethodPost, "/api/v1/tasks/shutter-check/heron-1/done", `{"by":"Ben"}`})
	if n := strings.Count(w.Body.String(), "signed in as Ann"); w.Code != http.StatusUnprocessableEntity || n != 1 {
		t.Errorf("status %d, said %d times: %s", w.Code, n, w.Body)
	}
	if w := askAs(ann, t, a, request{http.MethodPost, "/api/v1/tasks/shutter-check/heron-1/done", `{"by":"Ann"}`}); w.Code != http.StatusOK {
		t.Errorf("her own name: status %d: %s", w.Code, w.Body)
	}
}
