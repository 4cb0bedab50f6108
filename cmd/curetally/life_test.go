package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/rogpeppe/go-internal/testscript"
)

// figures compares two files of JSON: the same names, words and nulls, numbers
// to nine digits, because the last ones are the processor's.
func figures(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("expected: figures GOT WANT")
	}
	var docs [2]any
	for i, name := range args {
		ts.Check(json.Unmarshal([]byte(ts.ReadFile(name)), &docs[i]))
	}
	if d := cmp.Diff(docs[1], docs[0], cmpopts.EquateApprox(1e-9, math.SmallestNonzeroFloat64)); d != "" {
		ts.Fatalf("%s differs (-want +got):\n%s", args[0], d)
	}
}

// The files that README names give what they were made to show: enough failures
// for a shape, and cleanings enough to tell dirt from ageing in spite of a wild
// reading.
func TestExampleFilesOfLamps(t *testing.T) {
	for _, c := range []struct {
		args []string
		want []string
	}{
		{
			[]string{"lamplife", "../../testdata/heron-lamps.csv", "--age", "900"},
			[]string{"22 lamps, 9 failures;", "shape fitted\n", "remaining life at 900 h, median"},
		},
		{
			[]string{"outputlife", "../../testdata/heron-1-output.csv", "--threshold", "0.7"},
			[]string{"28 readings used over 2100 lit hours, 4 cleanings\n", "note: 1 reading far from all others: left out\n", "70 % of the initial output at  5261.47 h\n"},
		},
	} {
		out := command(t, exitOK, c.args...)
		for _, want := range c.want {
			if !strings.Contains(out, want) {
				t.Errorf("%s does not say %q:\n%s", c.args[0], want, out)
			}
		}
	}
}
