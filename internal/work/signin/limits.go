package signin

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// maxKept bounds how many addresses or names are remembered.
const maxKept = 4096

// limits limits attempts by a key.
type limits struct {
	every rate.Limit
	burst int

	mu   sync.Mutex
	kept map[string]*kept
}

type kept struct {
	limit *rate.Limiter
	used  time.Time
}

func newLimits(every time.Duration, burst int) *limits {
	return &limits{every: rate.Every(every), burst: burst, kept: map[string]*kept{}}
}

// take counts an attempt and says whether it is allowed. Back takes the attempt
// back: it succeeded.
func (l *limits) take(key string, now time.Time) (back func(), ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	k := l.kept[key]
	if k == nil {
		if len(l.kept) >= maxKept {
			l.forget(now)
		}
		k = &kept{limit: rate.NewLimiter(l.every, l.burst)}
		l.kept[key] = k
	}
	k.used = now
	r := k.limit.ReserveN(now, 1)
	if !r.OK() || r.DelayFrom(now) > 0 {
		r.CancelAt(now)
		return func() {}, false
	}
	return func() { r.CancelAt(now) }, true
}

// forget drops those whose limit is whole again, and where none is, the one that
// was used the longest ago.
func (l *limits) forget(now time.Time) {
	oldest, found := "", false
	for key, k := range l.kept {
		if k.limit.TokensAt(now) >= float64(l.burst) {
			delete(l.kept, key)
			continue
		}
		if !found || k.used.Before(l.kept[oldest].used) {
			oldest, found = key, true
		}
	}
	if len(l.kept) >= maxKept {
		delete(l.kept, oldest)
	}
}
