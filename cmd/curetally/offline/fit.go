package offline

import (
	"curetally/cmd/curetally/desk"
)

// Fit fits a baseline model to a file.
type Fit struct {
	File string `arg:"" help:"CSV file with a header and one row for each period (a day, a week), in the order of time and all of one length; - for standard input."`
	modelFlags
}

// Validate refuses flags that make no sense.
func (c Fit) Validate() error { return c.check() }

// Run fits the model and prints it.
func (c Fit) Run(s desk.Surroundings) error {
	m, err := c.fit(c.File)
	if err != nil {
		return err
	}
	if c.JSON {
		return desk.WriteJSON(s.Stdout, c.contract(m))
	}
	return c.print(s.Stdout, m)
}
