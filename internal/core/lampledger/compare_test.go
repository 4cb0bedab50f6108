package lampledger_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/lampledger"
)

const hour = int64(3_600_000)

func TestCompare(t *testing.T) {
	for name, c := range map[string]struct {
		a, b lampledger.Tally
		want bool
	}{
		"the same":                      {lampledger.Exactly("a", 100*hour), lampledger.Exactly("b", 100*hour), false},
		"2.9 %":                         {lampledger.Exactly("a", 100*hour), lampledger.Exactly("b", 100*hour+29*hour/10), false},
		"3.1 %":                         {lampledger.Exactly("a", 100*hour), lampledger.Exactly("b", 100*hour+31*hour/10), true},
		"10.1 h of 1000":                {lampledger.Exactly("a", 1000*hour+101*hour/10), lampledger.Exactly("b", 1000*hour), true},
		"9.9 h of 1000":                 {lampledger.Exactly("a", 1000*hour+99*hour/10), lampledger.Exactly("b", 1000*hour), false},
		"a whole hour of a meter":       {lampledger.Exactly("a", 5*hour), lampledger.Exactly("b", 6*hour), false},
		"nothing against much":          {lampledger.Exactly("a", 0), lampledger.Exactly("b", 2*hour), true},
		"within what was not seen":      {lampledger.Exactly("a", 100*hour), lampledger.Tally{What: "b", AtLeast: 80 * hour, AtMost: 101 * hour}, false},
		"more than what was not seen":   {lampledger.Exactly("a", 120*hour), lampledger.Tally{What: "b", AtLeast: 80 * hour, AtMost: 101 * hour}, true},
		"less than what was seen":       {lampledger.Exactly("a", 70*hour), lampledger.Tally{What: "b", AtLeast: 80 * hour, AtMost: 101 * hour}, true},
		"negative hours are no comfort": {lampledger.Exactly("a", -20*hour), lampledger.Exactly("b", 0), true},
	} {
		d, got := lampledger.Compare(c.a, c.b, day(0), day(9))
		if got != c.want {
			t.Errorf("%s: %v (%v), want %v", name, got, d, c.want)
		}
	}
	d, _ := lampledger.Compare(lampledger.Exactly("by its counter", 120*hour), lampledger.Tally{What: "by its states", AtLeast: 80 * hour, AtMost: 100 * hour}, day(0), day(9))
	if want := "lit 120.0 h by its counter, 80.0 to 100.0 h by its states; they differ by 20.0 h (25.0 %)"; d.String() != want {
		t.Errorf("said as %q, want %q", d, want)
	}
}

// Neither order nor seeing less makes a disagreement.
func TestCompare_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tally := func(name string) lampledger.Tally {
			low := rapid.Int64Range(0, 5000*hour).Draw(t, name)
			return lampledger.Tally{What: name, AtLeast: low, AtMost: low + rapid.Int64Range(0, 50*hour).Draw(t, name+" unseen")}
		}
		a, b := tally("a"), tally("b")
		d, differ := lampledger.Compare(a, b, day(0), day(1))
		if _, other := lampledger.Compare(b, a, day(0), day(1)); other != differ {
			t.Fatal("the order of the two matters")
		}
		a.AtMost += rapid.Int64Range(0, 100*hour).Draw(t, "more unseen")
		if _, still := lampledger.Compare(a, b, day(0), day(1)); still && !differ {
			t.Fatal("seeing less made a disagreement")
		}
		if differ && (d.Hours <= 1 || !strings.Contains(d.String(), "they differ by")) {
			t.Fatalf("a difference of %v h: %v", d.Hours, d)
		}
	})
}
