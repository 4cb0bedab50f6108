package strictyaml

import (
	"encoding"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// defaulter is a struct that fills in what the file does not say.
type defaulter interface{ SetDefaults() }

func setDefaults(v reflect.Value) {
	if v.CanAddr() {
		if s, ok := v.Addr().Interface().(defaulter); ok {
			s.SetDefaults()
		}
	}
}

// field is a struct field that a key of the file fills.
type field struct {
	name     string
	index    []int
	required bool
	scalar   bool
}

func fieldsOf(t reflect.Type) []field {
	var fs []field
	for i := range t.NumField() {
		if t.Field(i).Anonymous {
			for _, f := range fieldsOf(t.Field(i).Type) {
				f.index = append([]int{i}, f.index...)
				fs = append(fs, f)
			}
			continue
		}
		tag, ok := t.Field(i).Tag.Lookup("yaml")
		if !ok {
			continue
		}
		parts := strings.Split(tag, ",")
		fs = append(fs, field{
			name: parts[0], index: []int{i},
			required: slices.Contains(parts, "required"), scalar: slices.Contains(parts, "scalar"),
		})
	}
	return fs
}

// scalarField is the field that a plain value in place of the mapping fills.
func scalarField(t reflect.Type) (field, bool) {
	for _, f := range fieldsOf(t) {
		if f.scalar {
			return f, true
		}
	}
	return field{}, false
}

// line is where a node begins.
func line(n ast.Node) int {
	if t := n.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line
	}
	return 1
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// decode fills v from a node. The caller has recorded the line of the path.
func (d *Document) decode(n ast.Node, v reflect.Value, path string) {
	at := d.Line(path)
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		d.refuse(path, line(n), "an anchor, alias or merge key (&, *, <<) stands here", "write the value out; this file does not use anchors")
		return
	case *ast.TagNode:
		d.refuse(path, line(n), "a type tag (!) stands here", "write the value without a tag")
		return
	case *ast.NullNode:
		d.refuse(path, at, "has no value", "write a value, or remove the key")
		return
	}
	if v.Kind() == reflect.Pointer {
		fresh := reflect.New(v.Type().Elem())
		setDefaults(fresh.Elem())
		d.decode(n, fresh.Elem(), path)
		v.Set(fresh)
		return
	}
	if u, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok {
		d.text(n, u, path)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		d.mapping(n, v, path)
	case reflect.Map:
		d.table(n, v, path)
	case reflect.Slice:
		d.list(n, v, path)
	default:
		d.plain(n, v, path)
	}
}

func (d *Document) wrong(n ast.Node, path, expected, remedy string) {
	d.refuse(path, d.Line(path), "expected "+expected+", found "+describe(n), remedy)
}

// mapping fills a struct.
func (d *Document) mapping(n ast.Node, v reflect.Value, path string) {
	m, ok := n.(*ast.MappingNode)
	if !ok {
		f, short := scalarField(v.Type())
		if _, isList := n.(*ast.SequenceNode); !short || isList {
			d.wrong(n, path, "keys with values", "write key: value pairs, indented under it")
			return
		}
		d.lines[join(path, f.name)] = d.Line(path)
		d.decode(n, v.FieldByIndex(f.index), join(path, f.name))
		return
	}
	fs := fieldsOf(v.Type())
	names := make([]string, len(fs))
	for i, f := range fs {
		names[i] = f.name
	}
	slices.Sort(names)
	for _, pair := range m.Values {
		key, sub, ok := d.key(pair, path)
		if !ok {
			continue
		}
		i := slices.IndexFunc(fs, func(f field) bool { return f.name == key })
		if i < 0 {
			d.unknown(sub, key, path, names)
			continue
		}
		d.decode(pair.Value, v.FieldByIndex(fs[i].index), sub)
	}
	for _, f := range fs {
		if sub := join(path, f.name); f.required && !d.Has(sub) {
			d.Report(sub, "is missing", "add "+f.name)
			d.spoiled[sub] = true
		}
	}
}

// unknown reports a key that has no meaning here.
func (d *Document) unknown(sub, key, path string, names []string) {
	remedy := "known keys here: " + strings.Join(names, ", ")
	if near := Nearest(key, names); near != "" {
		remedy = "did you mean " + near + "? " + remedy
		if meant := join(path, near); !d.Has(meant) {
			// What was meant is not also missing.
			d.spoiled[meant] = true
		}
	}
	d.refuse(sub, d.lines[sub], "unknown key", remedy)
}

// key reads the key of a pair and records its place; false after a problem.
func (d *Document) key(pair *ast.MappingValueNode, path string) (key, sub string, ok bool) {
	at := line(pair.Key)
	switch pair.Key.(type) {
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
	case *ast.MergeKeyNode:
		d.refuse(path, at, "an anchor, alias or merge key (&, *, <<) stands here", "write the value out; this file does not use anchors")
		return "", "", false
	default:
		d.refuse(path, at, "a key is not plain text", "write a simple key before the colon")
		return "", "", false
	}
	key = pair.Key.GetToken().Value
	sub = join(path, key)
	if first, double := d.lines[sub]; double {
		d.refuse(sub, at, fmt.Sprintf("the key was already given on line %d", first), "keep one of the two")
		return "", "", false
	}
	d.lines[sub] = at
	return key, sub, true
}

// table fills a map with text keys.
func (d *Document) table(n ast.Node, v reflect.Value, path string) {
	m, ok := n.(*ast.MappingNode)
	if !ok {
		d.wrong(n, path, "keys with values", "write key: value pairs, indented under it")
		return
	}
	v.Set(reflect.MakeMap(v.Type()))
	for _, pair := range m.Values {
		key, sub, ok := d.key(pair, path)
		if !ok {
			continue
		}
		element := reflect.New(v.Type().Elem()).Elem()
		setDefaults(element)
		d.decode(pair.Value, element, sub)
		v.SetMapIndex(reflect.ValueOf(key).Convert(v.Type().Key()), element)
	}
}

// list fills a slice. An empty list is not nil.
func (d *Document) list(n ast.Node, v reflect.Value, path string) {
	t := v.Type().Elem()
	s, ok := n.(*ast.SequenceNode)
	if !ok {
		if t.Kind() == reflect.Struct {
			if _, short := scalarField(t); short {
				one := reflect.MakeSlice(v.Type(), 1, 1)
				sub := path + "[0]"
				d.lines[sub] = d.Line(path)
				setDefaults(one.Index(0))
				d.decode(n, one.Index(0), sub)
				v.Set(one)
				return
			}
		}
		d.wrong(n, path, "a list", "begin each entry with '- ', or write [a, b]")
		return
	}
	all := reflect.MakeSlice(v.Type(), len(s.Values), len(s.Values))
	for i, element := range s.Values {
		sub := fmt.Sprintf("%s[%d]", path, i)
		d.lines[sub] = line(element)
		if m, ok := element.(*ast.MappingNode); ok && len(m.Values) > 0 {
			d.lines[sub] = line(m.Values[0].Key)
		}
		setDefaults(all.Index(i))
		d.decode(element, all.Index(i), sub)
	}
	v.Set(all)
}

// text fills a value that reads itself from the text of a plain value.
func (d *Document) text(n ast.Node, u encoding.TextUnmarshaler, path string) {
	s, _, ok := scalar(n)
	if !ok {
		d.wrong(n, path, "a single value", "write one value after the colon")
		return
	}
	if err := u.UnmarshalText([]byte(s)); err != nil {
		if m, ok := errors.AsType[*Mistake](err); ok {
			d.refuse(path, d.Line(path), m.Problem, m.Remedy)
			return
		}
		d.refuse(path, d.Line(path), err.Error(), "correct the value")
	}
}

// plain fills text, numbers, truth values and durations.
func (d *Document) plain(n ast.Node, v reflect.Value, path string) {
	s, bare, ok := scalar(n)
	if v.Type() == reflect.TypeFor[time.Duration]() {
		length, err := time.ParseDuration(s)
		if !ok || err != nil {
			d.wrong(n, path, "a length of time", "write a number with its unit, for example 10s, 15m or 2h")
			return
		}
		v.SetInt(int64(length))
		return
	}
	switch v.Kind() {
	case reflect.String:
		if _, isText := n.(*ast.StringNode); !isText && !isLiteral(n) {
			d.wrong(n, path, "text", "put the value in quotes")
			return
		}
		v.SetString(s)
	case reflect.Bool:
		if !ok || !bare || s != "true" && s != "false" {
			d.wrong(n, path, "true or false", "write true or false, without quotes")
			return
		}
		v.SetBool(s == "true")
	case reflect.Float32, reflect.Float64:
		f, err := parseFloat(s)
		if !ok || !bare || err != nil {
			d.wrong(n, path, "a finite number in plain digits", "write a decimal number such as 0.5, without quotes, unit or leading zeros")
			return
		}
		v.SetFloat(f)
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		i, err := parseInt(s)
		switch {
		case !ok || !bare || err != nil:
			d.wrong(n, path, "a whole number in plain digits", wholeRemedy)
		case v.OverflowInt(i):
			d.outOfRange(path, -(int64(1) << (v.Type().Bits() - 1)), 1<<(v.Type().Bits()-1)-1)
		default:
			v.SetInt(i)
		}
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		d.unsigned(n, v, path)
	default:
		panic("strictyaml: no rule for " + v.Type().String())
	}
}

const wholeRemedy = "write it in digits (or 0x and hexadecimal digits), without quotes, unit, decimals or leading zeros"

func (d *Document) unsigned(n ast.Node, v reflect.Value, path string) {
	s, bare, ok := scalar(n)
	if i, err := parseInt(s); ok && bare && err == nil && i < 0 {
		d.outOfRange(path, 0, uint64(math.MaxUint64)>>(64-v.Type().Bits()))
		return
	}
	u, err := parseUint(s)
	switch {
	case !ok || !bare || err != nil:
		d.wrong(n, path, "a whole number in plain digits", wholeRemedy)
	case v.OverflowUint(u):
		d.outOfRange(path, 0, uint64(math.MaxUint64)>>(64-v.Type().Bits()))
	default:
		v.SetUint(u)
	}
}

func (d *Document) outOfRange(path string, low, high any) {
	d.refuse(path, d.Line(path), "the number is out of range", fmt.Sprintf("expected %d to %d", low, high))
}

// scalar gives the text of a plain value and whether it stands without quotes.
func scalar(n ast.Node) (text string, bare, ok bool) {
	switch n := n.(type) {
	case *ast.LiteralNode:
		return n.Value.Value, false, true
	case *ast.StringNode:
		t := n.Token.Type
		return n.Value, t != token.SingleQuoteType && t != token.DoubleQuoteType, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true, true
	}
	return "", false, false
}

func isLiteral(n ast.Node) bool {
	_, ok := n.(*ast.LiteralNode)
	return ok
}

// describe says what stands in the file, without repeating it.
func describe(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode:
		return "keys with values"
	case *ast.SequenceNode:
		return "a list"
	case *ast.StringNode, *ast.LiteralNode:
		return "text"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "a number"
	case *ast.BoolNode:
		return "true or false"
	}
	return "something else"
}

// leadingZero says whether a number is written like 010, which YAML readers take
// for 8 or for 10.
func leadingZero(s string) bool {
	s = strings.TrimLeft(s, "+-")
	return len(s) > 1 && s[0] == '0' && s[1] >= '0' && s[1] <= '9'
}

func parseInt(s string) (int64, error) {
	if hex, ok := strings.CutPrefix(s, "0x"); ok {
		return strconv.ParseInt(hex, 16, 64)
	}
	if leadingZero(s) {
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseInt(s, 10, 64)
}

func parseUint(s string) (uint64, error) {
	if hex, ok := strings.CutPrefix(s, "0x"); ok {
		return strconv.ParseUint(hex, 16, 64)
	}
	if leadingZero(s) {
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseUint(s, 10, 64)
}

func parseFloat(s string) (float64, error) {
	if strings.Trim(s, "0123456789+-.eE") != "" || leadingZero(s) {
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseFloat(s, 64)
}
