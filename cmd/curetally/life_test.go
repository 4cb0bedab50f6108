package main

import (
	"strings"
	"testing"
)

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
