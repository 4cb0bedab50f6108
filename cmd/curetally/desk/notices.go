package desk

import (
	"context"
	"fmt"
	"strings"
	"time"

	"curetally/internal/core/notice"
	"curetally/internal/core/plant"
	"curetally/internal/link/store"
)

// NoticeList lists notices.
type NoticeList struct {
	Site
	Dead  bool `help:"Only those of which a message could not be delivered and was given up."`
	Limit int  `help:"Most notices to list." default:"50" placeholder:"N"`
	JSON  bool `help:"Print as JSON."`
}

// Validate refuses a list of nothing.
func (c NoticeList) Validate() error {
	if c.Limit < 1 || c.Limit > 10000 {
		return fmt.Errorf("--limit %d: expected 1 to 10000", c.Limit)
	}
	return nil
}

// noticeRow is a notice in JSON.
type noticeRow struct {
	notice.Notice
	Deliveries []deliveryRow `json:"deliveries"`
	AnsweredBy string        `json:"answered_by,omitempty"`
	Answer     string        `json:"answer,omitempty"`
}

// deliveryRow is how far a notice has come on a channel, in JSON.
type deliveryRow struct {
	Channel string       `json:"channel"`
	State   notice.State `json:"state"`
	Next    time.Time    `json:"next,omitzero"` // attempt, while it waits
	Attempt int          `json:"attempts"`
	Error   string       `json:"error,omitempty"`
	Sent    time.Time    `json:"sent,omitzero"`
}

// Run prints the notices. With --dead it ends with the code of a finding when
// there are any.
func (c NoticeList) Run(ctx context.Context, s Surroundings) error {
	return c.With(ctx, s, func(p *plant.Plant, db *store.DB) error {
		all, err := db.Notices(ctx, c.Dead, c.Limit)
		if err != nil {
			return err
		}
		if err := c.print(s, p, all); err != nil {
			return err
		}
		if c.Dead && len(all) > 0 {
			return ErrFinding
		}
		return nil
	})
}

func (c NoticeList) print(s Surroundings, p *plant.Plant, all []store.NoticeRow) error {
	if c.JSON {
		out := make([]noticeRow, 0, len(all))
		for _, n := range all {
			r := noticeRow{Notice: n.Notice, Deliveries: []deliveryRow{}, AnsweredBy: n.AnsweredBy, Answer: n.Answer}
			for _, d := range n.Deliveries {
				dr := deliveryRow{Channel: d.Channel, State: d.State, Attempt: d.Attempt, Error: d.Error, Sent: d.Sent}
				if d.State == notice.Waiting {
					dr.Next = d.Due
				}
				r.Deliveries = append(r.Deliveries, dr)
			}
			out = append(out, r)
		}
		return WriteJSON(s.Stdout, map[string]any{"notices": out})
	}
	if len(all) == 0 {
		_, err := fmt.Fprintln(s.Stdout, "no notices")
		return err
	}
	rows := make([]string, 0, len(all))
	for _, n := range all {
		var ways []string
		for _, d := range n.Deliveries {
			ways = append(ways, d.Channel+" "+came(d, p))
		}
		rows = append(rows, row(fmt.Sprint(n.ID), Moment(n.At, p), string(n.Kind), n.Title, strings.Join(ways, "; "), n.AnsweredBy))
	}
	return table(s.Stdout, "ID\tSINCE\tKIND\tNOTICE\tDELIVERY\tANSWERED BY", rows)
}

// came says how far a delivery has come.
func came(d notice.Delivery, p *plant.Plant) string {
	switch d.State {
	case notice.Sent:
		return "sent " + Moment(d.Sent, p)
	case notice.Dead:
		return fmt.Sprintf("given up after %s: %s", Count(d.Attempt, "attempt"), d.Error)
	case notice.Withdrawn:
		return "withdrawn: seen to before it was sent"
	default:
		if d.Attempt > 0 {
			return fmt.Sprintf("tried %d times, next %s: %s", d.Attempt, Moment(d.Due, p), d.Error)
		}
		return "waits until " + Moment(d.Due, p)
	}
}
