package access

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// mostCallers is how many callers a Limiter tells apart. Past that some are forgotten, first those that have nothing to answer for.
const mostCallers = 4096

// Limiter holds every caller to a rate. The hosts of one IPv6 network of 64 bits are one caller. It may be used by many goroutines at once.
type Limiter struct {
	every rate.Limit
	burst int

	mu      sync.Mutex
	callers map[netip.Addr]*rate.Limiter
}

// NewLimiter lets through so many requests a second, and burst at once.
func NewLimiter(perSecond float64, burst int) *Limiter {
	return &Limiter{every: rate.Limit(perSecond), burst: burst, callers: map[netip.Addr]*rate.Limiter{}}
}

// Allow tells whether another request of a caller may pass. Callers whose address is not known are one.
func (l *Limiter) Allow(a netip.Addr) bool {
	if a.Is6() {
		p, err := a.Prefix(64)
		if err == nil {
			a = p.Addr()
		}
	}
	now := time.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	c := l.callers[a]
	if c == nil {
		l.makeRoom(now)
		c = rate.NewLimiter(l.every, l.burst)
		l.callers[a] = c
	}
	return c.AllowN(now, 1)
}

// makeRoom forgets whose bucket is full again; where that is nobody, a quarter of them, whichever. The caller holds mu.
func (l *Limiter) makeRoom(now time.Time) {
	if len(l.callers) < mostCallers {
		return
	}
	for a, c := range l.callers {
		if c.TokensAt(now) >= float64(l.burst) {
			delete(l.callers, a)
		}
	}
	for a := range l.callers {
		if len(l.callers) <= mostCallers*3/4 {
			return
		}
		delete(l.callers, a)
	}
}
