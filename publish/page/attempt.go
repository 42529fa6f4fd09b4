package page

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"thimbled/publish"
)

const (
	freeAttempts  = 4 // before an address has to wait
	firstWait     = time.Second
	longestWait   = 5 * time.Minute
	forgetAfter   = 15 * time.Minute
	mostAddresses = 4096
	// provedFor is how long a password that was right is known to be, for those
	// who send it with each request: hashing it takes the tenth of a second.
	provedFor  = 10 * time.Minute
	mostProved = 100
)

// attempts are the passwords tried, by address.
type attempts struct {
	mu    sync.Mutex
	tried map[netip.Addr]*attempt

	key    []byte // of this run, for what proved right
	proved map[[sha256.Size]byte]proof
}

type attempt struct {
	count int
	last  time.Time
	until time.Time // no more before that
}

type proof struct {
	user  publish.User
	until time.Time
}

// begin counts an attempt; it is not to be made before the time returned has
// passed, if that is not 0. An attempt that succeeds is taken back with clear.
func (a *attempts) begin(from netip.Addr) (wait time.Duration) {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := time.Now()
	one := a.tried[from]
	if one == nil || now.Sub(one.last) > forgetAfter {
		a.makeRoom(now)
		one = &attempt{}
		a.tried[from] = one
	}
	if now.Before(one.until) {
		return one.until.Sub(now)
	}
	one.count++
	one.last = now
	if over := one.count - freeAttempts; over >= 0 {
		one.until = now.Add(min(firstWait<<min(over, 10), longestWait))
	}
	return 0
}

// makeRoom forgets who has long not tried, and somebody else if that is not enough.
func (a *attempts) makeRoom(now time.Time) {
	if a.tried == nil {
		a.tried = map[netip.Addr]*attempt{}
	}
	if len(a.tried) < mostAddresses {
		return
	}
	var oldest netip.Addr
	for from, one := range a.tried {
		switch {
		case now.Sub(one.last) > forgetAfter:
			delete(a.tried, from)
		case !oldest.IsValid() || one.last.Before(a.tried[oldest].last):
			oldest = from
		}
	}
	if len(a.tried) >= mostAddresses {
		delete(a.tried, oldest)
	}
}

func (a *attempts) clear(from netip.Addr) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.tried, from)
}

// sum stands for a name and password in memory.
func (a *attempts) sum(name, password string) (sum [sha256.Size]byte) {
	if a.key == nil {
		a.key = make([]byte, sha256.Size)
		rand.Read(a.key) // never fails
	}
	h := hmac.New(sha256.New, a.key)
	h.Write([]byte(name + "\x00" + password))
	return [sha256.Size]byte(h.Sum(nil))
}

// known returns the user that a name and password proved to be lately.
func (a *attempts) known(name, password string) (publish.User, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	p, ok := a.proved[a.sum(name, password)]
	return p.user, ok && time.Now().Before(p.until)
}

func (a *attempts) prove(name, password string, u publish.User) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.proved) >= mostProved || a.proved == nil {
		a.proved = map[[sha256.Size]byte]proof{}
	}
	a.proved[a.sum(name, password)] = proof{u, time.Now().Add(provedFor)}
}

// addressOf is where a request comes from. Of IPv6 it is the network, of which
// one subscriber has all addresses.
func addressOf(r *http.Request) netip.Addr {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	address, err := netip.ParseAddr(host)
	if err != nil {
		return netip.Addr{}
	}
	address = address.Unmap().WithZone("")
	if address.Is6() && !address.IsLoopback() {
		network, _ := address.Prefix(64) // 64 bits fit into 128
		return network.Addr()
	}
	return address
}
