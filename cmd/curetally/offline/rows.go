package offline

import (
	"errors"
	"fmt"
	"os"

	"curetally/internal/link/sheet"
)

// maxProblems bounds how many problems of a file are listed; the rest is counted.
const maxProblems = 50

// eachRow hands the rows of a file to take, which may report what is wrong with
// one, and gives all problems at once. A file without rows is a problem.
func eachRow(name string, want sheet.Columns, take func(*sheet.Rows)) error {
	file := os.Stdin
	if name != standardInput {
		opened, err := os.Open(name)
		if err != nil {
			return err
		}
		defer opened.Close() // only read
		file = opened
	}
	rows, err := sheet.Stream(name, file, sheet.Format{}, want)
	if err != nil {
		return err
	}
	var problems []error
	n, wrong := 0, 0
	for ; rows.Next(); n++ {
		take(rows)
		for _, p := range rows.Problems() {
			if wrong++; wrong <= maxProblems {
				problems = append(problems, p)
			}
		}
	}
	if err := rows.Err(); err != nil {
		problems = append(problems, err)
	}
	if wrong > maxProblems {
		problems = append(problems, fmt.Errorf("%s: %d problems more", name, wrong-maxProblems))
	}
	if n == 0 && len(problems) == 0 {
		return fmt.Errorf("%s:1: no rows under the header: expected one for each lamp or reading", name)
	}
	return errors.Join(problems...)
}
