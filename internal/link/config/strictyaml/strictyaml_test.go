package strictyaml

import (
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

type leaf struct {
	Is   string  `yaml:"is,scalar"`
	Much float64 `yaml:"much"`
}

func (l *leaf) SetDefaults() { l.Much = 0.5 }

type document struct {
	Text   string           `yaml:"text"`
	Count  int8             `yaml:"count"`
	Amount uint64           `yaml:"amount"`
	Share  float64          `yaml:"share"`
	Yes    bool             `yaml:"yes"`
	Wait   time.Duration    `yaml:"wait"`
	Exact  Decimal          `yaml:"exact"`
	Leaves []leaf           `yaml:"leaves"`
	Names  []string         `yaml:"names"`
	Table  map[string]*leaf `yaml:"table"`
	Maybe  *uint16          `yaml:"maybe"`
}

// The keys of an embedded struct stand beside those of the struct around it, and its
// defaults hold too.
func TestDecode_Embedded(t *testing.T) {
	type Inner struct {
		leaf
		Depth int `yaml:"depth,required"`
	}
	var got struct {
		Outer *Inner `yaml:"outer"`
	}
	doc := Decode("f", []byte("outer: {is: x, depth: 3}\n"), &got)
	if len(doc.Problems()) > 0 || got.Outer == nil || *got.Outer != (Inner{leaf{"x", 0.5}, 3}) {
		t.Errorf("%+v, %v", got.Outer, doc.Problems())
	}
	if doc = Decode("f", []byte("outer: {is: x, deep: 3}\n"), &got); len(doc.Problems()) != 2 { // unknown, and missing
		t.Errorf("problems %v", doc.Problems())
	}
}

func TestDecode(t *testing.T) {
	text := `
text: |
  two
  lines
count: -128
amount: 0xFFFFFFFFFFFFFFFF
share: 1e-3
yes: true
wait: 1h30m
exact: 0.10
leaves: [plain, {is: full, much: 2}]
names: [off, "010"]
table: {a: {is: x}, b: y}
maybe: 7
`
	var got document
	doc := Decode("f", []byte(text), &got)
	if len(doc.Problems()) > 0 {
		t.Fatal(doc.Problems())
	}
	seven := uint16(7)
	want := document{
		Text: "two\nlines\n", Count: -128, Amount: 1<<64 - 1, Share: 0.001, Yes: true, Wait: 90 * time.Minute, Exact: "0.10",
		Leaves: []leaf{{"plain", 0.5}, {"full", 2}}, Names: []string{"off", "010"},
		Table: map[string]*leaf{"a": {"x", 0.5}, "b": {"y", 0.5}}, Maybe: &seven,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for path, line := range map[string]int{"count": 5, "leaves[1].much": 11, "table.b": 13, "leaves[1].unknown": 11, "nowhere.at[3].all": 1} {
		if got := doc.Line(path); got != line {
			t.Errorf("%s is on line %d, expected %d", path, got, line)
		}
	}
}

// TestSingleValueForList: a plain value is taken as a list of one.
func TestSingleValueForList(t *testing.T) {
	var got document
	if doc := Decode("f", []byte("leaves: one\n"), &got); len(doc.Problems()) > 0 || len(got.Leaves) != 1 || got.Leaves[0] != (leaf{"one", 0.5}) {
		t.Errorf("%+v, %v", got.Leaves, doc.Problems())
	}
}

func TestRefusals(t *testing.T) {
	for text, want := range map[string]string{
		"count: 010":                      "f:1: count: expected a whole number in plain digits, found a number",
		"count: 0o10":                     "f:1: count: expected a whole number",
		"count: 1_0":                      "f:1: count: expected a whole number",
		"count: \"1\"":                    "f:1: count: expected a whole number in plain digits, found text",
		"count: 128":                      "f:1: count: the number is out of range — expected -128 to 127",
		"maybe: -1":                       "f:1: maybe: the number is out of range — expected 0 to 65535",
		"maybe: 65536":                    "f:1: maybe: the number is out of range — expected 0 to 65535",
		"amount: -1":                      "f:1: amount: the number is out of range — expected 0 to 18446744073709551615",
		"share: .inf":                     "f:1: share: expected a finite number",
		"share: 0x10":                     "f:1: share: expected a finite number",
		"yes: yes":                        "f:1: yes: expected true or false, found text",
		"wait: 10":                        "f:1: wait: expected a length of time, found a number",
		"text: 1.5":                       "f:1: text: expected text, found a number — put the value in quotes",
		"text: true":                      "f:1: text: expected text, found true or false",
		"text: [a]":                       "f:1: text: expected text, found a list",
		"text:":                           "f:1: text: has no value",
		"exact: 1e3":                      "f:1: exact: expected a decimal number",
		"exact: 01":                       "f:1: exact: expected a decimal number",
		"leaves: [{much: x}]":             "f:1: leaves[0].much: expected a finite number",
		"leaves: {a: 1}":                  "f:1: leaves[0].a: unknown key",
		"names: a":                        "f:1: names: expected a list, found text",
		"table: [a]":                      "f:1: table: expected keys with values, found a list",
		"table: {a: {is: b}, a: {is: c}}": "f:1: table.a: the key was already given on line 1",
		"texts: a":                        "f:1: texts: unknown key — did you mean text?",
		"<<: {text: a}":                   "f:1: an anchor, alias or merge key",
		"? a\n: b":                        "f:1: a key is not plain text",
		"- a":                             "f:1: expected keys with values, found a list",
		"plain":                           "f:1: expected keys with values, found text",
		"":                                "f:1: the file is empty",
		"---\n---\n":                      "f:1: the file is empty",
		"text: a\n---\ncount: x":          "f:2: a second document begins here",
		"text: [":                         "f:1: ",
		"a: 1\n\tb: 2":                    "f:2: found character 'TAB' that cannot start any token — indent with spaces instead of tabs",
		strings.Repeat("[", 1e5):          "f:1: lists or mappings are nested more than 32 deep",
		strings.Repeat("- ", 1e5):         "f:1: lists or mappings are nested more than 32 deep",
		strings.Repeat("#", MaxSize+1):    "f:1: the file has 1048577 bytes",
	} {
		var got document
		problems := Decode("f", []byte(text), &got).Problems()
		if len(problems) == 0 || !strings.HasPrefix(problems[0].String(), want) {
			t.Errorf("%.40q: %.200v, expected %s", text, problems, want)
		}
	}
}

// TestOneMistakeOneMessage: a later check says nothing about a value that was
// refused or misspelt.
func TestOneMistakeOneMessage(t *testing.T) {
	var got document
	doc := Decode("f", []byte("count: x\nshar: 1\nleaves: [{is: 3}]\n"), &got)
	n := len(doc.Problems())
	doc.Report("count", "is 0", "")
	doc.Report("share", "is missing", "")
	doc.Report("leaves[0].is", "is empty", "")
	if len(doc.Problems()) != n {
		t.Errorf("repeated: %v", doc.Problems()[n:])
	}
	doc.Report("leaves[0].much", "is small", "raise it")
	if got := doc.Problems()[n:].Error(); got != "f:3: leaves[0].much: is small — raise it" {
		t.Error(got)
	}
}

func TestBracketsInCommentsDoNotCount(t *testing.T) {
	var got document
	text := strings.Repeat("# from [0, 1) {\n", 100) + "text: a # [[[\n"
	if doc := Decode("f", []byte(text), &got); len(doc.Problems()) > 0 {
		t.Error(doc.Problems())
	}
}

func TestNearest(t *testing.T) {
	known := []string{"profile", "period", "press", "station"}
	for word, want := range map[string]string{
		"profil": "profile", "peroid": "period", "stations": "station", "pressure": "", "xyz": "", "p": "", "": "",
	} {
		if got := Nearest(word, known); got != want {
			t.Errorf("%q: %q, expected %q", word, got, want)
		}
	}
}

func TestDecimal(t *testing.T) {
	for text, want := range map[Decimal]*big.Rat{"": big.NewRat(1, 1), "0.01": big.NewRat(1, 100), "40": big.NewRat(40, 1), "-1.5": big.NewRat(-3, 2)} {
		if got := text.Rat(); got.Cmp(want) != 0 {
			t.Errorf("%q is %v, expected %v", text, got, want)
		}
	}
}
