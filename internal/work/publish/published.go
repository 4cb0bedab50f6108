package publish

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
)

// ErrUnchanged says that a statement was published already, word for word.
var ErrUnchanged = errors.New("published already")

// ErrRefused marks what a person can put right: there are too few days, a period is not
// over, a reason is missing. The text says what.
var ErrRefused = errors.New("refused")

// refusal is an error of class ErrRefused with the words of its cause.
type refusal struct{ error }

func (r refusal) Unwrap() []error { return []error{ErrRefused, r.error} }

// Shelf is where published statements stand.
type Shelf interface {
	Store
	Publish(ctx context.Context, p plant.Published) error
	// Published gives all published statements of a project, by period and version.
	Published(ctx context.Context, project plant.ProjectID) ([]plant.Published, error)
}

// Act is who publishes, with which version of the program, and, where the period
// was published before, why it is published again.
type Act struct {
	By       string
	Reason   string
	Software string
}

// Publish states the savings of a period that is over and puts the statement on the
// shelf for ever. A statement that differs from the last one of its period becomes
// the next version, which needs a reason; one that does not is ErrUnchanged.
func Publish(ctx context.Context, s Shelf, p *plant.Plant, pr plant.Project, asked Asked, act Act) (plant.Published, error) {
	if !asked.Period.Over(asked.Now) {
		return plant.Published{}, refusal{fmt.Errorf("project %s: period %s is not over: publish it once its last day is settled", pr.ID, asked.Period)}
	}
	st, _, found, err := State(ctx, s, p, pr, asked)
	if err != nil {
		return plant.Published{}, err
	}
	if !found {
		return plant.Published{}, refusal{fmt.Errorf("project %s has no frozen baseline — freeze it before the conversion with curetally baseline freeze %s --by NAME", pr.ID, pr.ID)}
	}
	document, err := json.Marshal(st)
	if err != nil {
		return plant.Published{}, fmt.Errorf("write statement of project %s: %w", pr.ID, err)
	}
	sum := sha256.Sum256(document)
	out := plant.Published{
		Project: pr.ID, Period: st.Period, At: asked.Now.UTC().Truncate(time.Second), By: act.By, Software: act.Software,
		Reason: strings.TrimSpace(act.Reason), Hash: hex.EncodeToString(sum[:]), Document: document,
	}
	all, err := s.Published(ctx, pr.ID)
	if err != nil {
		return plant.Published{}, err
	}
	var before plant.Published // newest of the period
	for _, o := range all {
		if o.Period == out.Period {
			before = o
		}
	}
	switch {
	case before.Version > 0 && before.Hash == out.Hash:
		return before, fmt.Errorf("project %s, %s: version %d says the same: %w", pr.ID, out.Period, before.Version, ErrUnchanged)
	case before.Version > 0 && out.Reason == "":
		return plant.Published{}, refusal{fmt.Errorf("project %s, %s: version %d is published and stays; a corrected statement needs the reason why it takes its place: give --reason",
			pr.ID, out.Period, before.Version)}
	}
	out.Version = before.Version + 1
	return out, s.Publish(ctx, out)
}

// Read gives the statement in a published document. It returns an error with
// savings.ErrAltered when the document is not the one that was published.
func Read(p plant.Published) (savings.Statement, error) {
	var st savings.Statement
	if sum := sha256.Sum256(p.Document); hex.EncodeToString(sum[:]) != p.Hash {
		return st, fmt.Errorf("statement of %s, %s, version %d: the document does not have its hash: %w", p.Project, p.Period, p.Version, savings.ErrAltered)
	}
	if err := json.Unmarshal(p.Document, &st); err != nil {
		return st, fmt.Errorf("statement of %s, %s, version %d: %w", p.Project, p.Period, p.Version, err)
	}
	return st, nil
}
