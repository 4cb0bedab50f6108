package app

import (
	"context"
	"errors"
	"fmt"
	"time"

	"curetally/internal/core/invariant"
	"curetally/internal/core/plant"
	"curetally/internal/core/savings"
	"curetally/internal/link/store"
	"curetally/internal/work/publish"
	"curetally/internal/work/selfcheck"
	"curetally/internal/work/settle"
	"curetally/internal/work/web"
)

// kept are the records of a plant as the self-check reads them.
type kept struct {
	*store.DB
	plant *plant.Plant
}

// Rebuilt implements selfcheck.Records.
func (k kept) Rebuilt(ctx context.Context, reg plant.Register, from, to time.Time) (built, stored []plant.Entry, err error) {
	return settle.Rebuild(ctx, k.DB, k.plant, settle.Stretch{Register: reg, From: from, To: to})
}

// Altered implements selfcheck.Records.
func (k kept) Altered(ctx context.Context) ([]invariant.Violation, error) {
	var out []invariant.Violation
	note := func(key string, err error) error {
		if !errors.Is(err, savings.ErrAltered) {
			return err
		}
		out = append(out, invariant.Violation{Invariant: invariant.Unaltered, Key: key, Text: err.Error()})
		return nil
	}
	for _, pr := range k.plant.Projects {
		b, found, err := publish.Frozen(ctx, k.DB, pr.ID)
		if err == nil && found {
			err = b.Verify()
		}
		if err := note("baseline of "+string(pr.ID), err); err != nil {
			return nil, err
		}
		statements, err := k.Published(ctx, pr.ID)
		if err != nil {
			return nil, err
		}
		for _, s := range statements {
			_, err := publish.Read(s)
			if err := note(fmt.Sprintf("statement %d of %s, %s", s.Version, pr.ID, s.Period), err); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// newSelfcheck builds the watch over the daemon's own records.
func (d *Daemon) newSelfcheck() *selfcheck.Checker {
	return selfcheck.New(selfcheck.Options{
		Plant: d.plant, Records: kept{d.store, d.plant}, Log: d.log,
		Waiting: func() time.Time {
			if d.record.Stats().StoreDown {
				return time.Time{}
			}
			return d.spool.Stats().OldestAt
		},
	})
}

// contradictions lists what the records say against themselves.
func contradictions(found []selfcheck.Found) []web.Finding {
	var out []web.Finding
	for _, f := range found {
		out = append(out, web.Finding{
			Kind: "contradiction", Subject: string(f.Invariant) + ": " + f.Key, Since: f.Since, Text: f.Text,
			Remedy: "Keep the data and the log, run curetally audit, and report what it says; a published statement stays as it is.",
		})
	}
	return out
}
