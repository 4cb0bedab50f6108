package strictyaml

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// MaxSize is the largest file that is read, in bytes.
const MaxSize = 1 << 20

// maxNesting bounds how deep lists and mappings may be nested: the parser is
// recursive and a stack overflow could not be caught.
const maxNesting = 32

// Document is one YAML file with the place of every value and the problems
// found so far. It belongs to one goroutine.
type Document struct {
	file     string
	lines    map[string]int
	spoiled  map[string]bool // paths whose value was refused
	problems Problems
}

// Decode reads data into the struct that into points to. Fields are named by
// the tag `yaml:"name"`, with the options "required" (a missing key is a
// problem) and "scalar" (a plain value in place of a mapping is taken as this
// field, and a single value in place of a list of such structs as its only
// element). A struct whose pointer has a method SetDefaults() gets it called
// before its keys are read.
//
// Whatever could be read is in into; what could not is in Problems.
func Decode(file string, data []byte, into any) *Document {
	d := &Document{file: file, lines: map[string]int{"": 1}, spoiled: map[string]bool{}}
	if len(data) > MaxSize {
		d.refuse("", 1, fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("keep it below %d bytes", MaxSize))
		return d
	}
	if line := tooDeep(data); line > 0 {
		d.refuse("", line, fmt.Sprintf("lists or mappings are nested more than %d deep", maxNesting), "look for a missing closing bracket")
		return d
	}
	body := d.parse(data)
	if body == nil {
		return d
	}
	v := reflect.ValueOf(into).Elem()
	setDefaults(v)
	d.decode(body, v, "")
	return d
}

// parse gives the body of the only document; nil after a problem.
func (d *Document) parse(data []byte) (body ast.Node) {
	defer func() {
		if r := recover(); r != nil {
			d.refuse("", 1, "the file cannot be parsed as YAML", "look for unbalanced brackets, quotes or odd indentation")
			body = nil
		}
	}()
	file, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		d.syntax(err)
		return nil
	}
	if len(file.Docs) > 1 {
		second := file.Docs[1]
		line := 1
		if second.Start != nil {
			line = second.Start.Position.Line
		} else if second.Body != nil {
			line = second.Body.GetToken().Position.Line
		}
		d.problems = append(d.problems, Problem{
			File: d.file, Line: line, Problem: "a second document begins here",
			Remedy: "keep one document per file: remove this line or move what follows to another file",
		})
	}
	if len(file.Docs) == 0 || file.Docs[0].Body == nil {
		d.refuse("", 1, "the file is empty", "write at least site, presses and meters; the examples show how")
		return nil
	}
	return file.Docs[0].Body
}

// syntax reports the parser's error without its excerpt of the file, which
// could show a secret.
func (d *Document) syntax(err error) {
	line, message := 1, "not valid YAML"
	if ye, ok := errors.AsType[yaml.Error](err); ok {
		message = strings.ReplaceAll(ye.GetMessage(), "\t", "TAB")
		if t := ye.GetToken(); t != nil && t.Position != nil {
			line = max(t.Position.Line, 1)
		}
	}
	remedy := "correct the syntax on this line or the one before it"
	switch {
	case strings.Contains(message, "TAB"):
		remedy = "indent with spaces instead of tabs"
	case strings.Contains(message, "not allowed in this context"):
		remedy = "check the indentation, and quote text that contains ': '"
	case strings.Contains(message, "end character"), strings.Contains(message, "not found"):
		remedy = "close the quote or bracket"
	}
	d.refuse("", line, message, remedy)
}

// Report adds a problem found by a later check at a path. It says nothing when
// the value at the path (or around it) was already refused: one mistake, one
// message.
func (d *Document) Report(path, problem, remedy string) {
	for p := path; ; p = parent(p) {
		if d.spoiled[p] {
			return
		}
		if p == "" {
			break
		}
	}
	d.problems = append(d.problems, Problem{File: d.file, Line: d.Line(path), Path: path, Problem: problem, Remedy: remedy})
}

// Line is the line of a path, or of the nearest path around it that is written
// in the file.
func (d *Document) Line(path string) int {
	for {
		if line, ok := d.lines[path]; ok {
			return line
		}
		path = parent(path)
	}
}

// Has says whether the file has a value at a path.
func (d *Document) Has(path string) bool {
	_, ok := d.lines[path]
	return ok
}

// Problems gives what was found so far, in the order of finding.
func (d *Document) Problems() Problems { return d.problems }

// Adopt adds the problems of another file that this one refers to.
func (d *Document) Adopt(ps Problems) { d.problems = append(d.problems, ps...) }

// refuse adds a problem of decoding and keeps later checks quiet about the path.
func (d *Document) refuse(path string, line int, problem, remedy string) {
	d.spoiled[path] = true
	d.problems = append(d.problems, Problem{File: d.file, Line: line, Path: path, Problem: problem, Remedy: remedy})
}

// parent is the path around a path.
func parent(path string) string {
	if i := strings.LastIndexAny(path, ".["); i > 0 {
		return path[:i]
	}
	return ""
}

// tooDeep gives the line on which nesting passes the limit, 0 when it does not.
// It counts brackets outside comments and runs of "- " and "? " at the start of a
// line, without regard to quotes.
func tooDeep(data []byte) int {
	depth := 0
	for i, line := range bytes.Split(data, []byte("\n")) {
		marks := 0
		for _, c := range line {
			if c != '-' && c != '?' && c != ' ' && c != '\t' && c != ':' {
				break
			}
			if c == '?' || c == ':' || c == '-' {
				marks++
			}
		}
		if marks > maxNesting && !isRule(line) {
			return i + 1
		}
		if bytes.HasPrefix(line, []byte("#")) {
			continue
		}
		line, _, _ = bytes.Cut(line, []byte(" #"))
		for _, c := range line {
			switch c {
			case '[', '{':
				depth++
			case ']', '}':
				depth = max(depth-1, 0)
			}
			if depth > maxNesting {
				return i + 1
			}
		}
	}
	return 0
}

// isRule says whether a line is a run of dashes, as in a scalar's text.
func isRule(line []byte) bool {
	return len(bytes.Trim(line, "- \t\r")) == 0 && !bytes.Contains(bytes.TrimSpace(line), []byte("- "))
}
