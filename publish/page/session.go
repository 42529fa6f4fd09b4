package page

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"sync"
	"time"

	"thimbled/publish"
)

const (
	// idleFor is how long a session lasts with no page open, signedFor how long
	// it lasts at all: a shift.
	idleFor   = time.Hour
	signedFor = 12 * time.Hour
	// mostSessions are kept; then the one that was used longest ago ends.
	mostSessions = 200
)

// session is a browser in which somebody has signed in. used and busy are
// guarded by the sessions' mutex.
type session struct {
	user publish.User
	ctx  context.Context // ends with the session
	end  context.CancelFunc
	used time.Time
	busy int // requests that are being answered, streams among them
}

// sessions are those of the page, in memory only: they end with the daemon. Tokens
// are known by their sums, so that the time of a look-up tells nothing of them.
type sessions struct {
	mu  sync.Mutex
	all map[[sha256.Size]byte]*session
}

// open begins a session and returns its token.
func (s *sessions) open(u publish.User) string {
	random := make([]byte, 32)
	rand.Read(random) // never fails
	token := base64.RawURLEncoding.EncodeToString(random)
	ctx, end := context.WithTimeout(context.Background(), signedFor)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sweep()
	if len(s.all) >= mostSessions {
		s.dropOldest()
	}
	if s.all == nil {
		s.all = map[[sha256.Size]byte]*session{}
	}
	s.all[sha256.Sum256([]byte(token))] = &session{user: u, ctx: ctx, end: end, used: time.Now()}
	return token
}

// sweep drops the sessions that are over.
func (s *sessions) sweep() {
	for key, one := range s.all {
		if one.ctx.Err() != nil || one.busy == 0 && time.Since(one.used) > idleFor {
			s.drop(key)
		}
	}
}

func (s *sessions) drop(key [sha256.Size]byte) {
	s.all[key].end()
	delete(s.all, key)
}

func (s *sessions) dropOldest() {
	var oldest [sha256.Size]byte
	var used time.Time
	for key, one := range s.all {
		if used.IsZero() || one.used.Before(used) {
			oldest, used = key, one.used
		}
	}
	s.drop(oldest)
}

// enter finds the session of a token and keeps it from being idle until it is
// left; nil if there is none.
func (s *sessions) enter(token string) *session {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sweep()
	one := s.all[sha256.Sum256([]byte(token))]
	if one != nil {
		one.busy++
		one.used = time.Now()
	}
	return one
}

func (s *sessions) leave(one *session) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one.busy--
	one.used = time.Now()
}

// close ends the session of a token, and with it the streams that it has.
func (s *sessions) close(token string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if key := sha256.Sum256([]byte(token)); s.all[key] != nil {
		s.drop(key)
	}
}

// cookieName is that of the session's cookie. Browsers take one that begins with
// __Host- only over TLS and for this host alone (RFC 6265bis, section 4.1.3).
func (p *Page) cookieName() string {
	if p.options.Secure {
		return "__Host-bench"
	}
	return "bench"
}

func (p *Page) cookie(token string, age time.Duration) *http.Cookie {
	return &http.Cookie{
		Name: p.cookieName(), Value: token, Path: "/", MaxAge: int(age.Seconds()),
		HttpOnly: true, Secure: p.options.Secure, SameSite: http.SameSiteStrictMode,
	}
}

// tokenOf is the token that a request carries; empty if none.
func (p *Page) tokenOf(r *http.Request) string {
	if c, err := r.Cookie(p.cookieName()); err == nil {
		return c.Value
	}
	return ""
}
