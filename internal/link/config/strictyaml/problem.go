package strictyaml

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one mistake in a file: where it is, what is wrong, what to do.
type Problem struct {
	File    string `json:"file"`
	Line    int    `json:"line"` // counted from 1
	Path    string `json:"path"` // "meters[3].profile"; empty for the file as a whole
	Problem string `json:"problem"`
	Remedy  string `json:"remedy"`
}

// String writes the problem as "file:line: path: problem — remedy".
func (p Problem) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d: ", p.File, p.Line)
	if p.Path != "" {
		b.WriteString(p.Path + ": ")
	}
	b.WriteString(p.Problem)
	if p.Remedy != "" {
		b.WriteString(" — " + p.Remedy)
	}
	return b.String()
}

// Problems is all that is wrong, as one error with a line per problem.
type Problems []Problem

// Error writes one problem per line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// Sort orders by file and line; problems of one line keep their order.
func (ps Problems) Sort() {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
}

// Mistake is an error that carries its remedy. UnmarshalText methods return it
// so that both halves of the message reach the person.
type Mistake struct {
	Problem string
	Remedy  string
}

// Error joins problem and remedy.
func (m *Mistake) Error() string { return m.Problem + " — " + m.Remedy }

// Nearest gives the known word that is closest to the one given, by the number
// of letters to insert, drop, replace or swap; empty when none is close enough
// to be meant.
func Nearest(word string, known []string) string {
	const shortest, longest = 3, 64
	if len(word) < shortest || len(word) > longest {
		return ""
	}
	best, bestDistance := "", len(word)/3+1
	for _, k := range known {
		if d := distance(word, k); d < bestDistance {
			best, bestDistance = k, d
		}
	}
	return best
}

// Suggest is a remedy for an unknown name: the known one that was probably meant,
// else what is known, else the text for when nothing is.
func Suggest(name string, known []string, none string) string {
	if near := Nearest(name, known); near != "" {
		return "did you mean " + near + "?"
	}
	const few = 8
	switch {
	case len(known) == 0:
		return none
	case len(known) > few:
		return fmt.Sprintf("known are %s and %d more", strings.Join(known[:few], ", "), len(known)-few)
	default:
		return "known are " + strings.Join(known, ", ")
	}
}

// distance is the restricted Damerau-Levenshtein distance in bytes.
func distance(a, b string) int {
	older := make([]int, len(b)+1)
	old := make([]int, len(b)+1)
	for j := range old {
		old[j] = j
	}
	for i := range len(a) {
		row := make([]int, len(b)+1)
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			row[j+1] = min(old[j+1]+1, row[j]+1, old[j]+cost)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], older[j-1]+1)
			}
		}
		older, old = old, row
	}
	return old[len(b)]
}
