package auth

import (
	"errors"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Limits per caller. Attempts to sign in are counted by address, requests by who asks.
const (
	attemptsPerMinute = 20
	attemptsBurst     = 10
	requestsPerSecond = 300
	requestsBurst     = 600
	// mostCallers bounds how many callers are remembered; above it those are forgotten
	// that have their whole allowance again.
	mostCallers = 10_000
)

type limits struct {
	now func() time.Time

	mu       sync.Mutex
	attempts map[string]*rate.Limiter
	requests map[string]*rate.Limiter
}

func newLimits(now func() time.Time) *limits {
	return &limits{now: now, attempts: map[string]*rate.Limiter{}, requests: map[string]*rate.Limiter{}}
}

// may reports whether an address may try to sign in. Only tries that failed count: a
// whole hospital may come from one address at the change of shifts.
func (l *limits) may(from string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	lim := l.attempts[from]
	return lim == nil || lim.TokensAt(l.now()) >= 1
}

// failed counts a try that failed, and gives err back.
func (l *limits) failed(from string, err error) error {
	if errors.Is(err, ErrWrong) || errors.Is(err, ErrCode) || errors.Is(err, ErrProof) || errors.Is(err, ErrReplayed) || errors.Is(err, ErrDevice) {
		l.allow(l.attempts, from, rate.Limit(attemptsPerMinute)/60, attemptsBurst, false)
	}
	return err
}

func (l *limits) allow(of map[string]*rate.Limiter, who string, every rate.Limit, burst int, full bool) bool {
	now := l.now()
	l.mu.Lock()
	defer l.mu.Unlock()
	lim := of[who]
	if lim == nil {
		if len(of) >= mostCallers {
			for k, old := range of {
				if old.TokensAt(now) >= float64(burst) {
					delete(of, k)
				}
			}
			if len(of) >= mostCallers {
				return full // whoever floods us shuts out sign-ins, not those at work
			}
		}
		lim = rate.NewLimiter(every, burst)
		of[who] = lim
	}
	return lim.AllowN(now, 1)
}

// MayAsk counts a request and reports whether the caller may go on. who is a principal
// or an address.
func (g *Gate) MayAsk(who string) bool {
	return g.limits.allow(g.limits.requests, who, requestsPerSecond, requestsBurst, true)
}
