package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// offered asks a real shell what may follow the words of a command line; the last
// word is the one that is being typed.
func offered(t *testing.T, shell, script string, line []string) []string {
	t.Helper()
	quoted := "'" + strings.Join(line, "' '") + "'"
	ask := map[string]string{
		"bash": fmt.Sprintf(`. %s; COMP_WORDS=(curetally %s); COMP_CWORD=%d; _curetally; printf '%%s\n' "${COMPREPLY[@]}"`, script, quoted, len(line)),
		// Its own completion needs a terminal, so what is handed to it is printed.
		"zsh":  fmt.Sprintf(`compdef() { : }; _describe() { print -l -- "${(@P)2}" }; . %s; words=(curetally %s); CURRENT=%d; _curetally`, script, quoted, len(line)+1),
		"fish": fmt.Sprintf(`source %s; complete -C 'curetally %s'`, script, strings.Join(line, " ")),
	}[shell]
	arguments := map[string][]string{"bash": {"--norc", "-c"}, "zsh": {"-f", "-c"}, "fish": {"--no-config", "-c"}}[shell]
	cmd := exec.CommandContext(t.Context(), shell, append(arguments, ask)...)
	cmd.Env = append(os.Environ(), "HOME="+filepath.Dir(script))
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v (is it missing? apt-get install %s)\n%s", shell, err, shell, out)
	}
	var words []string
	for line := range strings.Lines(string(out)) {
		word, _, _ := strings.Cut(strings.TrimSpace(line), "\t")
		if shell == "zsh" {
			word, _, _ = strings.Cut(word, ":")
		}
		words = append(words, word)
	}
	return words
}

func TestCompletion_InRealShells(t *testing.T) {
	for _, shell := range []string{"bash", "zsh", "fish"} {
		t.Run(shell, func(t *testing.T) {
			script := filepath.Join(t.TempDir(), "curetally."+shell)
			if err := os.WriteFile(script, []byte(command(t, exitOK, "completion", shell)), 0o600); err != nil {
				t.Fatal(err)
			}
			for _, c := range []struct {
				line    string
				has, no []string
			}{
				{"", []string{"lamp", "run", "savings", "person"}, []string{"freeze", "receive"}},
				{"lamp ", []string{"fit", "remove", "stock"}, []string{"run", "freeze"}},
				{"lamp fit L-2041 heron-3 --", []string{"--by", "--at", "--kind", "--config"}, []string{"fit", "--reason"}},
				{"--config x.yaml baseline ", []string{"freeze", "show"}, []string{"fit"}},
				{"savings --", []string{"--month", "--json"}, []string{"--by"}}, // of the default command
				{"completion ", []string{"bash", "zsh", "fish"}, []string{"run"}},
			} {
				line := strings.Split(c.line, " ")
				words := offered(t, shell, script, line)
				for _, w := range c.has {
					if !slices.Contains(words, w) {
						t.Errorf("%q: %s is not offered: %v", c.line, w, words)
					}
				}
				for _, w := range c.no {
					if slices.Contains(words, w) {
						t.Errorf("%q: %s is offered", c.line, w)
					}
				}
			}
		})
	}
	command(t, exitUsage, "completion", "csh")
}
