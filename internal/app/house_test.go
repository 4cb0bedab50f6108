package app_test

import (
	"go/ast"
	"go/token"
	"go/types"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/tools/go/packages"
)

// module is the module path in front of every package of the project.
const module = "curetally/"

// rule says what a group of packages may import of the project, and which
// outside modules belong to it alone.
type rule struct {
	in     string   // package path prefix below the module
	may    []string // prefixes of the project's packages that it may import
	reason string
}

// houseRules is the import policy. A package follows the first rule that names
// it; tests are not bound, because they may use pgtest and the virtual plant.
var houseRules = []rule{
	{"internal/core/unit", nil, "quantities know nothing else"},
	{"internal/core/plant", []string{"internal/core/unit"}, "the vocabulary knows quantities only"},
	{"internal/core/", []string{"internal/core/"}, "core is pure: it knows core only"},
	{"internal/link/privatepg/", []string{"internal/link/privatepg"}, "helper of privatepg for tests"},
	{"internal/link/config/", []string{"internal/link/config/", "internal/core/"}, "parts of config"},
	{"internal/link/config", []string{"internal/link/config/", "internal/core/"}, "an adapter knows core, never another adapter"},
	{"internal/link/notify", []string{"internal/link/notify", "internal/core/"}, "ways to people share how a notice reads"},
	{"internal/link/report/", []string{"internal/link/report/", "internal/core/"}, "parts of report"},
	{"internal/link/report", []string{"internal/link/report/", "internal/core/"}, "the plot of a page is a figure"},
	{"internal/link/", []string{"internal/core/"}, "an adapter knows core, never another adapter"},
	{"internal/work/", []string{"internal/core/"}, "a process declares the interfaces that it needs"},
	{"internal/sim", []string{"internal/core/", "internal/sim"}, "the virtual plant is an outside world of its own"},
	{"internal/app", []string{"internal/"}, "the one place that sees everything"},
	{"cmd/", []string{"internal/", "cmd/curetally/"}, "commands translate flags for app"},
}

// owners says which packages may import an outside module directly.
var owners = map[string][]string{
	"github.com/jackc/pgx":                {"internal/link/store", "internal/link/privatepg"},
	"github.com/simonvetter/modbus":       {"internal/link/meterlink", "internal/sim"},
	"github.com/eclipse/paho.mqtt.golang": {"internal/link/stationlink", "internal/link/notify", "internal/sim"},
	"github.com/arran4/golang-ical":       {"internal/link/notify"},
	"github.com/wneessen/go-mail":         {"internal/link/notify"},
	"github.com/robfig/cron":              {"internal/core/notice"},
	"github.com/mochi-mqtt/server":        {"internal/sim"},
	"github.com/prometheus/client_golang": {"internal/work/", "internal/app"},
	"github.com/goccy/go-yaml":            {"internal/link/config"},
	"go.etcd.io/bbolt":                    {"internal/link/spool"},
	"github.com/pressly/goose":            {"internal/link/store"},
	"gonum.org/v1/plot":                   {"internal/link/report"},
	"codeberg.org/go-pdf/fpdf":            {"internal/link/report"},
	"github.com/parquet-go/parquet-go":    {"internal/link/columnar"},
	"github.com/xuri/excelize":            {"internal/link/report/workbook"},
	"golang.org/x/text":                   {"internal/link/report/words"},
	"golang.org/x/crypto":                 {"internal/core/access/secret"},
	"github.com/coreos/go-oidc":           {"internal/link/identity"},
	"golang.org/x/oauth2":                 {"internal/link/identity"},
	"golang.org/x/time":                   {"internal/work/signin"},
	"golang.org/x/term":                   {"cmd/curetally"},
	"github.com/alecthomas/kong":          {"cmd/curetally"},
	"github.com/danielgtaylor/huma":       {"internal/work/api"},
	"google.golang.org/protobuf/encoding": {"internal/link/spool"},
}

func load(t *testing.T, mode packages.LoadMode) []*packages.Package {
	t.Helper()
	pkgs, err := packages.Load(&packages.Config{Mode: mode, Dir: root(t)}, "./...")
	if err != nil {
		t.Fatal(err)
	}
	if len(pkgs) < 10 {
		t.Fatalf("only %d packages were loaded", len(pkgs))
	}
	return pkgs
}

// root is the top of the repository.
func root(t *testing.T) string {
	t.Helper()
	dir, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func hasPrefix(path string, prefixes []string) bool {
	return slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(path, p) })
}

func TestHouse_ImportsPointOneWay(t *testing.T) {
	for _, p := range load(t, packages.NeedName|packages.NeedImports) {
		own := strings.TrimPrefix(p.PkgPath, module)
		i := slices.IndexFunc(houseRules, func(r rule) bool { return strings.HasPrefix(own, r.in) })
		if i < 0 {
			t.Errorf("%s stands outside the house: no rule names it", own)
			continue
		}
		for path := range p.Imports {
			if other, ok := strings.CutPrefix(path, module); ok {
				if !hasPrefix(other, houseRules[i].may) {
					t.Errorf("%s imports %s: %s", own, other, houseRules[i].reason)
				}
				continue
			}
			for mod, who := range owners {
				if strings.HasPrefix(path, mod) && !hasPrefix(own, who) {
					t.Errorf("%s imports %s, which belongs to %v", own, path, who)
				}
			}
		}
	}
}

func TestHouse_PackagesAreExplained(t *testing.T) {
	sentence := regexp.MustCompile(`[.:;)](\s|$)`)
	for _, p := range load(t, packages.NeedName|packages.NeedSyntax|packages.NeedFiles) {
		var doc string
		for _, f := range p.Syntax {
			if f.Doc != nil {
				doc += f.Doc.Text()
			}
		}
		if n := len(sentence.FindAllString(doc, -1)); n < 3 {
			t.Errorf("package comment of %s has %d sentences, want at least 3", p.PkgPath, n)
		}
	}
}

// Package variables may hold sentinels, tables and embedded files; nothing may
// change them after they are made, and nothing may run before main.
func TestHouse_NoHiddenState(t *testing.T) {
	mode := packages.NeedName | packages.NeedSyntax | packages.NeedTypes | packages.NeedTypesInfo | packages.NeedDeps | packages.NeedImports
	for _, p := range load(t, mode) {
		for _, e := range p.Errors {
			t.Fatalf("%s: %v", p.PkgPath, e)
		}
		for _, f := range p.Syntax {
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.FuncDecl:
					if n.Recv == nil && n.Name.Name == "init" {
						t.Errorf("%s: init runs behind the reader's back", p.Fset.Position(n.Pos()))
					}
				case *ast.AssignStmt:
					if n.Tok != token.DEFINE {
						for _, l := range n.Lhs {
							reportGlobal(t, p, l)
						}
					}
				case *ast.IncDecStmt:
					reportGlobal(t, p, n.X)
				}
				return true
			})
		}
	}
}

// reportGlobal fails when an expression on the left of an assignment is, or is
// part of, a package variable.
func reportGlobal(t *testing.T, p *packages.Package, e ast.Expr) {
	t.Helper()
	for {
		switch x := e.(type) {
		case *ast.IndexExpr:
			e = x.X
			continue
		case *ast.SelectorExpr:
			e = x.X
			continue
		case *ast.ParenExpr:
			e = x.X
			continue
		}
		break
	}
	id, ok := e.(*ast.Ident)
	if !ok {
		return
	}
	if v, ok := p.TypesInfo.Uses[id].(*types.Var); ok && v.Parent() == p.Types.Scope() {
		t.Errorf("%s: package variable %s is changed", p.Fset.Position(id.Pos()), id.Name)
	}
}

// Tests never wait for wall-clock time and are never left out.
func TestHouse_TestsNeitherSleepNorSkip(t *testing.T) {
	banned := regexp.MustCompile(`\btime\.Sleep\(|\bt\.Skip(Now|f)?\(|\bb\.Skip(Now|f)?\(`)
	inBubble := regexp.MustCompile(`synctest\.Test\(`)
	walk(t, "_test.go", func(path, text string) {
		if path == "internal/app/house_test.go" {
			return
		}
		for i, line := range strings.Split(text, "\n") {
			if banned.MatchString(line) && (!strings.Contains(line, "Sleep") || !inBubble.MatchString(text)) {
				t.Errorf("%s:%d: %s", path, i+1, strings.TrimSpace(line))
			}
		}
	})
}

func TestHouse_NoNameOfACollector(t *testing.T) {
	for _, p := range load(t, packages.NeedName) {
		switch p.Name {
		case "util", "utils", "common", "helpers", "types", "misc":
			t.Errorf("%s: a package is named for what it holds, not for being handy", p.PkgPath)
		}
	}
}

func TestHouse_TopLevel(t *testing.T) {
	agreed := []string{"cmd", "internal", "configs", "deploy", "dashboards", "testdata", "go.mod", "go.sum", "Dockerfile", "README.md", "DEVELOPERS.md"}
	out, err := exec.Command("git", "-C", root(t), "ls-files").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range strings.Fields(string(out)) {
		top, _, _ := strings.Cut(f, "/")
		if !strings.HasPrefix(top, ".") && !slices.Contains(agreed, top) {
			t.Errorf("%s: the top level holds agreed entries only", f)
		}
	}
}

// walk calls fn with every file below cmd and internal that ends in suffix.
func walk(t *testing.T, suffix string, fn func(path, text string)) {
	t.Helper()
	files := 0
	for _, top := range []string{"cmd", "internal"} {
		err := filepath.WalkDir(filepath.Join(root(t), top), func(path string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, suffix) {
				return err
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(root(t), path)
			if err != nil {
				return err
			}
			files++
			fn(rel, string(text))
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files == 0 {
		t.Fatalf("no file ends in %s", suffix)
	}
}
