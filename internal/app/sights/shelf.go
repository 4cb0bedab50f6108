package sights

import "context"

// shelf keeps what is costly to make, one for each name, until it is asked for of
// something else. Things are made one at a time, so that many readers of one page cost
// as much as one.
type shelf[T any] struct {
	turn chan struct{} // holds a token while something is made or looked up
	kept map[string]made[T]
}

// made is a thing with what it was made of.
type made[T any] struct {
	of    string
	thing T
}

func newShelf[T any]() *shelf[T] {
	return &shelf[T]{turn: make(chan struct{}, 1), kept: map[string]made[T]{}}
}

// take gives the thing of a name, made anew where it was made of something else. It
// gives up waiting for its turn when ctx ends.
func (s *shelf[T]) take(ctx context.Context, name, of string, make func() (T, error)) (T, error) {
	var none T
	select {
	case s.turn <- struct{}{}:
		defer func() { <-s.turn }()
	case <-ctx.Done():
		return none, ctx.Err()
	}
	if m, ok := s.kept[name]; ok && m.of == of {
		return m.thing, nil
	}
	thing, err := make()
	if err != nil {
		return none, err
	}
	s.kept[name] = made[T]{of, thing}
	return thing, nil
}
