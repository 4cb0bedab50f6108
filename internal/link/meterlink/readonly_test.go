package meterlink

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/simonvetter/modbus"
)

const library = "github.com/simonvetter/modbus"

// root is the folder of the module.
func root(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if dir == filepath.Dir(dir) {
			t.Fatal("no go.mod above the test's folder: run the test inside the module")
		}
		dir = filepath.Dir(dir)
	}
}

// The program measures and never acts: no code outside tests names a write
// function of the Modbus library, and this package uses four of the client's
// methods only. SetEncoding and the typed reads are left out on purpose: they
// share state between calls.
func TestNothingCanWrite(t *testing.T) {
	client := reflect.TypeFor[*modbus.ModbusClient]()
	methods := map[string]bool{}
	for i := range client.NumMethod() {
		methods[client.Method(i).Name] = true
	}
	if !methods["WriteRegister"] || !methods["WriteCoil"] || !methods["ReadRegisters"] {
		t.Fatal("the library's client has other methods than this test looks for")
	}
	allowed := map[string]bool{"Open": true, "Close": true, "SetUnitId": true, "ReadRegisters": true}
	files, importers := 0, 0
	check := func(path string, f *ast.File) {
		files++
		imports := false
		for _, i := range f.Imports {
			name, err := strconv.Unquote(i.Path.Value)
			imports = imports || err == nil && name == library
		}
		if imports {
			importers++
		}
		own := filepath.Base(filepath.Dir(path)) == "meterlink"
		ast.Inspect(f, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			name := sel.Sel.Name
			write := strings.HasPrefix(name, "Write") && methods[name]
			// Elsewhere a Write may be of a file; registers and coils are not.
			if write && (imports || strings.Contains(name, "Register") || strings.Contains(name, "Coil")) {
				t.Errorf("%s names %s: the program only reads meters", path, name)
			}
			if own && imports && methods[name] && !allowed[name] {
				t.Errorf("%s uses %s: expected Open, Close, SetUnitId and ReadRegisters alone", path, name)
			}
			return true
		})
	}
	for _, dir := range []string{"internal", "cmd"} {
		top := filepath.Join(root(t), dir)
		if _, err := os.Stat(top); os.IsNotExist(err) {
			continue
		}
		err := filepath.WalkDir(top, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			check(path, f)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files < 5 || importers == 0 {
		t.Fatalf("looked at %d files, %d of them with the library: the search is broken", files, importers)
	}
}
