package app_test

import (
	"errors"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"curetally/internal/link/config"
)

// page reads a file at the top of the repository.
func page(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root(t), name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// fence is one fenced block of a page.
type fence struct{ kind, text string }

func fences(text string) []fence {
	var out []fence
	for _, m := range regexp.MustCompile("(?ms)^```([a-z]*)\n(.*?)^```$").FindAllStringSubmatch(text, -1) {
		out = append(out, fence{m[1], m[2]})
	}
	return out
}

func TestDocs_ReadmeOpensWithTheJobAndTheTwoCommands(t *testing.T) {
	text := page(t, "README.md")
	parts := strings.SplitN(text, "\n\n", 3)
	if len(parts) < 3 || !strings.HasPrefix(parts[0], "# ") || len(strings.Fields(parts[1])) < 40 {
		t.Errorf("README begins with %q, expected its title and the job in a paragraph", parts[0])
	}
	var first []string
	for _, f := range fences(text) {
		if f.kind == "sh" {
			first = append(first, strings.TrimSpace(f.text))
		}
	}
	if want := []string{"deploy/demo.sh", "deploy/test.sh"}; len(first) < 2 || !slices.Equal(first[:2], want) {
		t.Errorf("the first commands in README are %q, expected %q", first, want)
	}
	for _, f := range []string{"deploy/demo.sh", "deploy/test.sh", ".ci/run"} {
		info, err := os.Stat(filepath.Join(root(t), f))
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode()&0o111 == 0 {
			t.Errorf("%s cannot be executed", f)
		}
	}
}

func TestDocs_FirstConfigurationIsTenLinesAndSound(t *testing.T) {
	var found []string
	for _, f := range fences(page(t, "README.md")) {
		if f.kind == "yaml" {
			found = append(found, f.text)
		}
	}
	if len(found) != 1 {
		t.Fatalf("README shows %d configurations, expected one", len(found))
	}
	if n := strings.Count(found[0], "\n"); n > 10 {
		t.Errorf("the first configuration has %d lines, expected at most 10", n)
	}
	c, err := config.Parse("curetally.yaml", []byte(found[0]))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Plant.Stations()) == 0 || len(c.Plant.Registers) == 0 {
		t.Error("the first configuration meters nothing")
	}
}

// commandLines gives the calls of the program in a page: lines of shell blocks
// and code in the text that begin with its name.
func commandLines(text string) []string {
	var out []string
	add := func(line string) {
		line = strings.TrimPrefix(strings.TrimSpace(line), "./")
		if strings.HasPrefix(line, "curetally ") {
			out = append(out, line)
		}
	}
	for _, f := range fences(text) {
		if f.kind == "sh" {
			for line := range strings.Lines(f.text) {
				add(line)
			}
		}
	}
	for _, m := range regexp.MustCompile("`([^`\n]+)`").FindAllStringSubmatch(text, -1) {
		add(m[1])
	}
	return out
}

// words splits a command line as a shell does, as far as double quotes go.
func words(line string) []string {
	var out []string
	for _, m := range regexp.MustCompile(`"([^"]*)"|(\S+)`).FindAllStringSubmatch(line, -1) {
		out = append(out, m[1]+m[2])
	}
	return out
}

// Each command line in README is one that the program takes. It runs where there
// is no configuration, so that a well-formed call ends before it does anything.
func TestDocs_ReadmeCommandsAreTaken(t *testing.T) {
	dir := t.TempDir()
	binary := filepath.Join(dir, "curetally")
	build := exec.Command("go", "build", "-o", binary, "./cmd/curetally")
	build.Dir = root(t)
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, out)
	}
	lines := commandLines(page(t, "README.md"))
	if len(lines) < 10 {
		t.Fatalf("README has %d command lines, expected its table of commands: %q", len(lines), lines)
	}
	call := func(args []string) (out string, code int) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), binary, args...)
		cmd.Dir = dir
		raw, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if err != nil && !errors.As(err, &exit) {
			t.Fatalf("%q: %v", args, err)
		}
		return string(raw), cmd.ProcessState.ExitCode()
	}
	for _, line := range lines {
		args := words(line)[1:]
		if out, code := call(append(slices.Clone(args), "--help")); code != 0 || !strings.HasPrefix(out, "Usage: curetally") {
			t.Errorf("%s: exit code %d: %s", line, code, out)
		}
		if args[0] == "demo" {
			continue // needs no configuration, so it would begin
		}
		if out, _ := call(args); strings.Contains(out, "--help\n") && !strings.HasPrefix(out, "Usage:") {
			t.Errorf("%s is called wrongly: %s", line, out)
		}
	}
}

// The picture is there, wide enough to read and small enough to load.
func TestDocs_PictureOfTheOverview(t *testing.T) {
	m := regexp.MustCompile(`!\[[^\]]{20,}\]\(([^)]+\.png)\)`).FindStringSubmatch(page(t, "README.md"))
	if m == nil {
		t.Fatal("README shows no picture with a text for those who cannot see it")
	}
	f, err := os.Open(filepath.Join(root(t), m[1]))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() >= 500_000 {
		t.Errorf("%s has %d bytes, expected less than 500 000", m[1], info.Size())
	}
	c, err := png.DecodeConfig(f)
	if err != nil {
		t.Fatal(err)
	}
	if c.Width < 900 || c.Height < 600 {
		t.Errorf("%s is %d × %d, expected a whole page", m[1], c.Width, c.Height)
	}
}

// Paths that the pages name exist.
func TestDocs_PathsExist(t *testing.T) {
	path := regexp.MustCompile("`((?:cmd|internal|core|link|work|sim|app|configs|deploy|\\.ci)(?:/[A-Za-z0-9_.-]+)*/?)`")
	for _, name := range []string{"README.md", "DEVELOPERS.md"} {
		found := path.FindAllStringSubmatch(page(t, name), -1)
		if len(found) == 0 {
			t.Errorf("%s names no path of the repository", name)
		}
		for _, m := range found {
			p := strings.TrimSuffix(m[1], "/")
			_, direct := os.Stat(filepath.Join(root(t), p))
			_, inside := os.Stat(filepath.Join(root(t), "internal", p))
			if direct != nil && inside != nil {
				t.Errorf("%s names %s, which does not exist", name, m[1])
			}
		}
	}
}

// Tests and symbols that DEVELOPERS.md names are in the program: the guide is
// read by those who change it.
func TestDocs_NamedSymbolsExist(t *testing.T) {
	source := map[string]string{} // by name of the package
	var all strings.Builder
	walk(t, ".go", func(path, text string) {
		source[filepath.Base(filepath.Dir(path))] += text
		all.WriteString(text)
	})
	guide := page(t, "DEVELOPERS.md")
	tests := regexp.MustCompile("`((?:Test|Fuzz|Benchmark)[A-Za-z0-9_]+)`").FindAllStringSubmatch(guide, -1)
	if len(tests) < 10 {
		t.Errorf("DEVELOPERS.md names %d tests, expected one for each invariant at least", len(tests))
	}
	for _, m := range tests {
		if !strings.Contains(all.String(), "func "+m[1]+"(") {
			t.Errorf("DEVELOPERS.md names %s, which no file declares", m[1])
		}
	}
	symbols := regexp.MustCompile("`([a-z]+)\\.([A-Z][A-Za-z]+)(?:\\.([A-Z][A-Za-z]+))?`").FindAllStringSubmatch(guide, -1)
	if len(symbols) < 10 {
		t.Errorf("DEVELOPERS.md names %d symbols, expected the walks through the program", len(symbols))
	}
	for _, m := range symbols {
		declared := `(?m)^(func|type|const|var) ` + m[2] + `\b|^\t` + m[2] + `\s.*=`
		if m[3] != "" {
			declared = `(?m)^func \(\w+ \*?` + m[2] + `\) ` + m[3] + `\(`
		}
		if !regexp.MustCompile(declared).MatchString(source[m[1]]) {
			t.Errorf("DEVELOPERS.md names %s, which package %s does not declare", m[0], m[1])
		}
	}
}
