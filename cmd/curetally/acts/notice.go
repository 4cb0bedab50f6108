package acts

import (
	"context"
	"fmt"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
)

// NoticeAnswer records that a person sees to a notice.
type NoticeAnswer struct {
	desk.Site
	Who
	ID   int64  `arg:"" help:"Number of the notice, as in the list."`
	Note string `help:"What is done about it." placeholder:"TEXT"`
}

// Run records the answer; an overdue task that is answered is brought to nobody
// else.
func (c NoticeAnswer) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		if err := db.Answer(ctx, c.ID, c.By, c.Note); err != nil {
			return err
		}
		_, err := fmt.Fprintf(s.Stdout, "recorded: notice %d answered by %s\n", c.ID, c.By)
		return err
	})
}

// NoticeResend puts what was given up on its way again.
type NoticeResend struct {
	desk.Site
	Who
	ID int64 `arg:"" help:"Number of the notice, as in the list."`
}

// Run makes the dead deliveries of the notice due; the daemon sends them.
func (c NoticeResend) Run(ctx context.Context, s desk.Surroundings) error {
	return c.With(ctx, s, func(_ *plant.Plant, db *store.DB) error {
		n, err := db.Resend(ctx, c.ID, time.Now(), c.By)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(s.Stdout, "recorded: %s of notice %d, sent again within a minute while the daemon runs\n", desk.Count(int(n), "message"), c.ID)
		return err
	})
}
