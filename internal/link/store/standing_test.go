package store

import (
	"errors"
	"testing"
	"time"

	"curetally/internal/core/plant"
)

func TestStanding(t *testing.T) {
	db := open(t)
	least := map[plant.RegisterID]time.Duration{meter: 30 * time.Minute, chill: 30 * time.Minute}
	same(t, "nothing read", len(get(db.Standing(t.Context(), least))(t)), 0)
	f := plant.Facts{Readings: []plant.Reading{
		reading(meter, 0, 5), reading(meter, 10, 7), reading(meter, 20, 7), reading(meter, 50, 7), reading(meter, 60, 7),
		reading(chill, 0, 7), reading(chill, 40, 8), reading(chill, 60, 8),
	}}
	must(t, db.Apply(t.Context(), spoolA, []plant.Batch{batch(1, f)}))
	same(t, "one stands", get(db.Standing(t.Context(), least))(t), [][2]plant.Reading{{reading(meter, 20, 7), reading(meter, 60, 7)}})
	least[meter], least[chill] = time.Hour, 20*time.Minute
	same(t, "each by its own time", get(db.Standing(t.Context(), least))(t), [][2]plant.Reading{{reading(chill, 40, 8), reading(chill, 60, 8)}})
	if _, err := db.Standing(t.Context(), map[plant.RegisterID]time.Duration{"nobody/import": 1}); !errors.Is(err, ErrNotFound) {
		t.Errorf("unknown register: %v", err)
	}
}
