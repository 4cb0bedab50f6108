package api

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// linter finds the OpenAPI linter that deploy/test.sh installs below .cache, or one
// on the PATH.
func linter(t *testing.T) string {
	t.Helper()
	own, err := filepath.Abs("../../../.cache/openapi/node_modules/.bin/redocly")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(own); err == nil {
		return own
	}
	path, err := exec.LookPath("redocly")
	if err != nil {
		t.Fatal("the OpenAPI linter is missing: run deploy/test.sh, which installs it, or npm install --ignore-scripts --prefix .cache/openapi @redocly/cli@2.77.0")
	}
	return path
}

// The document passes an independent linter without a warning, but for the one
// that asks for a licence: the program has none to state.
func TestDocument_PassesAnIndependentLinter(t *testing.T) {
	dir := t.TempDir()
	lint := func(document []byte) (problems []string) {
		t.Helper()
		file := filepath.Join(dir, "openapi.json")
		if err := os.WriteFile(file, document, 0o600); err != nil {
			t.Fatal(err)
		}
		cmd := exec.CommandContext(t.Context(), linter(t), "lint", "--extends", "recommended", "--skip-rule", "info-license", "--format", "json", file)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "REDOCLY_TELEMETRY=off", "REDOCLY_SUPPRESS_UPDATE_NOTICE=true", "HOME="+dir)
		out, err := cmd.Output() // it ends with 1 where there are errors
		var said struct {
			Problems []struct {
				Rule     string `json:"ruleId"`
				Message  string `json:"message"`
				Location []struct {
					Pointer string `json:"pointer"`
				} `json:"location"`
			} `json:"problems"`
		}
		if bad := json.Unmarshal(out, &said); bad != nil {
			t.Fatalf("%v, %v: %s", err, bad, out)
		}
		for _, p := range said.Problems {
			at := ""
			if len(p.Location) > 0 {
				at = p.Location[0].Pointer
			}
			problems = append(problems, p.Rule+" at "+at+": "+p.Message)
		}
		return problems
	}
	for _, p := range lint(build(t).Document()) {
		t.Error(p)
	}
	if len(lint([]byte(`{"openapi":"3.1.0","info":{"title":"x"},"paths":{"/a":{"get":{"responses":{}}}}}`))) == 0 {
		t.Error("the linter finds nothing in a broken document")
	}
}
