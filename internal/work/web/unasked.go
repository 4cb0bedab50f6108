package web

import (
	"net"
	"net/http"
	"sync"
)

// unasked keeps the connections over which nothing was asked yet. Browsers open some
// ahead of need; an orderly end would wait for them as for requests in flight.
type unasked struct {
	mu    sync.Mutex // guards the rest
	conns map[net.Conn]bool
	over  bool
}

// follow is a http.Server's ConnState.
func (u *unasked) follow(c net.Conn, state http.ConnState) {
	u.mu.Lock()
	defer u.mu.Unlock()
	switch {
	case state != http.StateNew:
		delete(u.conns, c)
	case u.over:
		_ = c.Close() // came in while the end began
	default:
		u.conns[c] = true
	}
}

// end closes them, and those that come from now on.
func (u *unasked) end() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.over = true
	for c := range u.conns {
		_ = c.Close() // the other side may have closed it
	}
}
