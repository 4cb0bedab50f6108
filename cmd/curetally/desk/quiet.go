package desk

import (
	"context"
	"log/slog"
)

// atLeast passes on records of a level or above.
type atLeast struct {
	slog.Handler
	level slog.Level
}

// Enabled implements slog.Handler.
func (h atLeast) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= h.level && h.Handler.Enabled(ctx, l)
}

// WithAttrs implements slog.Handler.
func (h atLeast) WithAttrs(a []slog.Attr) slog.Handler {
	return atLeast{h.Handler.WithAttrs(a), h.level}
}

// WithGroup implements slog.Handler.
func (h atLeast) WithGroup(name string) slog.Handler {
	return atLeast{h.Handler.WithGroup(name), h.level}
}

// Quiet keeps what a short command would log to warnings and errors.
func Quiet(log *slog.Logger) *slog.Logger {
	return slog.New(atLeast{log.Handler(), slog.LevelWarn})
}
