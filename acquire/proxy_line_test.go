//go:build linux

package acquire_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"thimbled/acquire"
	"thimbled/acquire/modbus"
	"thimbled/acquire/serialport"
	"thimbled/peak"
)

// timing is what the poller relies on.
type timing struct{ timeout, worst time.Duration }

// far is the proxy's connection to the server.
type far interface {
	io.ReadWriteCloser
	SetReadDeadline(t time.Time) error
}

// proxy sits between a poller and a Modbus server and does to the frames what lines do
// at their worst. One goroutine at a time runs serve; timers send what comes
// late.
type proxy struct {
	kind   acquire.Kind
	timing timing
	asking *asking
	peer   *mbpeer
	far    far
	chance *rand.Rand
	// faults are played to one answer in faultEvery, each once before any comes again;
	// none means a proxy that only hands on.
	faults []wireFault
	// unbounded lets answers come however late they are.
	unbounded bool
	// patience is how long the server may take.
	patience time.Duration

	// The goroutine of serve's own.
	had   []byte          // what the server has sent since it was asked
	old   map[byte][]byte // the last answer for each register
	swap  []byte          // an answer that waits for the next one to pass it
	deck  []wireFault     // faults to be played before any is played again
	quiet int             // requests still to be swallowed

	mu      sync.Mutex
	next    *wireFault      // to be played to the next request
	frames  map[string]int  // by fault
	noted   question        // the last request that came through
	fault   string          // what was done to it
	kept    map[string]int  // what was not sent, by reason
	overdue map[uint32]bool // sent, but so slowly that it may have come too late
	passed  int             // all of them
	errs    []error

	delivered, wentOn time.Time // the last answer; when the server went on
	lastSent          uint32    // the last answer's request
}

const faultEvery = 8

func newProxy(t testing.TB, program string, kind acquire.Kind, at timing, seed, number uint64) *proxy {
	t.Helper()
	p := &proxy{
		kind: kind, timing: at, asking: newAsking(), peer: startPeer(t, program, kind == acquire.TCP),
		patience: serverPatience, chance: rand.New(rand.NewPCG(seed, number)), old: map[byte][]byte{},
		frames: map[string]int{}, kept: map[string]int{}, overdue: map[uint32]bool{},
	}
	if err := p.connect(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.far.Close() })
	return p
}

func (p *proxy) connect() (err error) {
	if p.kind == acquire.TCP {
		p.far, err = net.Dial("tcp", p.peer.place)
		return err
	}
	p.far, err = os.OpenFile(p.peer.place, os.O_RDWR|unix.O_NOCTTY, 0)
	return err
}

// line is the poller's side: two instruments of one unit that are asked as fast as the
// line goes.
func (p *proxy) line(place string) acquire.Line {
	l := acquire.Line{Name: "proxied", Kind: p.kind, WorstAnswer: p.timing.worst, LineBaud: 115200, Wrap: p.asking.wrap}
	l.Address = place
	if p.kind == acquire.RTU {
		l.Serial = serialport.Settings{Device: place, Baud: 115200}
	}
	for name, at := range map[string]uint16{"load": loadRegister, "pressure": pressureRegister} {
		in := acquire.Instrument{
			Name: name, Measures: acquire.Force, UnitID: peerUnit, Every: time.Millisecond, Timeout: p.timing.timeout,
			Scale: 1, UnitFactor: 0.001, Value: acquire.Register{Table: modbus.Input, Address: at, Type: modbus.Uint32},
		}
		if name == "pressure" {
			in.Measures, in.UnitFactor = acquire.Pressure, 1
		}
		l.Instruments = append(l.Instruments, in)
	}
	return l
}

// start puts the proxy at work and returns the place where the poller finds it, and
// what ends it.
func (p *proxy) start(t testing.TB) (place string, stop func()) {
	t.Helper()
	ended := make(chan struct{})
	if p.kind == acquire.RTU {
		link := filepath.Join(t.TempDir(), "rs485")
		near, err := plugIn(link)
		if err != nil {
			t.Fatal(err)
		}
		go func() { defer close(ended); p.serve(near, "") }()
		return link, func() { near.unplug(); <-ended }
	}
	l := listen(t)
	go func() { defer close(ended); p.accept(l) }()
	return l.Addr().String(), func() { l.Close(); <-ended }
}

// accept serves one connection after the other.
func (p *proxy) accept(l net.Listener) {
	for {
		conn, err := l.Accept()
		if err != nil {
			return
		}
		p.quiet, p.swap = 0, nil
		key := conn.RemoteAddr().String()
		p.serve(&followedConn{conn, newMBAPStream()}, key)
		conn.Close()
	}
}

// serve hands on requests and answers until the near side ends.
func (p *proxy) serve(near io.ReadWriteCloser, key string) {
	request := make([]byte, p.requestSize())
	for {
		if _, err := io.ReadFull(near, request); err != nil {
			return
		}
		q, ok := p.asking.pop(key)
		if !ok {
			p.failed(errors.New("a request came that the poller did not write"))
			return
		}
		if err := p.pass(near, q, bytes.Clone(request)); err != nil {
			p.failed(err)
			return
		}
	}
}

func (p *proxy) requestSize() int {
	if p.kind == acquire.TCP {
		return 12
	}
	return 8
}

func (p *proxy) failed(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.errs = append(p.errs, err)
}

// exchange is a request and its right answer, as a fault sees them.
type exchange struct {
	*proxy
	near    io.WriteCloser
	request []byte
	answer  []byte
	before  []byte // the answer before for the same register; nil for none
}

// pass deals with one request.
func (p *proxy) pass(near io.WriteCloser, q question, request []byte) error {
	f := p.choose()
	p.note(q, f.name)
	if p.quiet > 0 {
		p.quiet--
		return nil
	}
	if err := p.peer.show(valuesOf(q.number)); err != nil {
		return err
	}
	answer := p.ask(q, request, f)
	if answer == nil {
		return nil
	}
	p.expect(near, answer)
	register := request[len(request)-p.tail()]
	x := exchange{p, near, request, answer, p.old[register]}
	pieces := []piece{{0, answer}}
	if f.does != nil {
		pieces = f.does(x)
		if f.damages && x.mistakable(pieces) {
			p.keep("damaged, with a right check by chance")
			pieces = nil
		}
	}
	p.old[register] = answer
	if held := p.swap; held != nil && f.name != swapped {
		p.swap = nil
		pieces = append(pieces, piece{0, held})
	}
	p.send(near, q, pieces)
	return nil
}

// followedConn is a connection with a model of what the poller has got on it, which is
// guarded by the proxy's mutex. What is late may still come on a connection that has ended.
type followedConn struct {
	net.Conn
	stream *mbapStream
}

// expect makes the right answer known to the model.
func (p *proxy) expect(near io.WriteCloser, answer []byte) {
	if p.kind != acquire.TCP {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	near.(*followedConn).stream.right[binary.BigEndian.Uint16(answer)] = answer[:6+int(binary.BigEndian.Uint16(answer[4:]))]
}

// tail is where the low byte of the register stands in a request, from its end.
func (p *proxy) tail() int {
	if p.kind == acquire.TCP {
		return 3
	}
	return 5
}

// ask sends a request to the server and returns its answer, or nil if none came. What
// the server answers is known beforehand; whatever else it sends belongs to a damaged request
// before.
func (p *proxy) ask(q question, request []byte, f wireFault) []byte {
	damaged := f.request != nil
	want, times := p.truth(q, request), 1
	if damaged {
		request, times = f.request(p, request)
	}
	p.had = p.had[:0]
	if _, err := p.far.Write(request); err != nil || times == 0 {
		return nil
	}
	p.far.SetReadDeadline(time.Now().Add(p.patience))
	buf := make([]byte, 256)
	for {
		n, err := p.far.Read(buf)
		p.had = append(p.had, buf[:n]...)
		if bytes.Count(p.had, want) >= times {
			return bytes.Repeat(want, times)
		}
		if err != nil {
			p.keep("the server did not answer")
			return nil
		}
	}
}

// serverPatience is the usual patience with the server, which is at odds with itself for half
// a second after a damaged request.
const serverPatience = 300 * time.Millisecond

// truth is the frame that answers a request.
func (p *proxy) truth(q question, request []byte) []byte {
	v := valuesOf(q.number)
	value := v.load
	if request[len(request)-p.tail()] == pressureRegister {
		value = v.pressure
	}
	pdu := binary.BigEndian.AppendUint32([]byte{byte(modbus.Input), 4}, value)
	if p.kind == acquire.TCP {
		return modbus.AppendMBAP(nil, binary.BigEndian.Uint16(request), peerUnit, pdu)
	}
	return modbus.AppendRTU(nil, peerUnit, pdu)
}

// send sends pieces at their times, in their order. What comes later does not hold up
// the next request.
func (p *proxy) send(near io.WriteCloser, q question, pieces []piece) {
	start := time.Now()
	for i, one := range pieces {
		if one.after > 0 {
			go p.sendLater(near, q, start, pieces[i:])
			return
		}
		p.deliver(near, q, one.bytes)
	}
}

func (p *proxy) sendLater(near io.WriteCloser, q question, start time.Time, pieces []piece) {
	for _, one := range pieces {
		time.Sleep(time.Until(start.Add(one.after)))
		p.deliver(near, q, one.bytes)
	}
}

// deliver writes to the poller. On a serial line nothing may come later than the worst
// answer time that the poller was told, and a computer that is busy with other
// things can make it late: what is too old is kept, and what may have become too old on its way is
// remembered.
// Nil bytes end the connection.
func (p *proxy) deliver(near io.WriteCloser, q question, b []byte) {
	if b == nil {
		near.Close()
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	bounded := p.kind != acquire.TCP && !p.unbounded
	switch {
	case bounded && time.Since(q.at) > p.bound():
		p.kept["too old for a serial line"]++
		return
	case p.kind == acquire.TCP && !near.(*followedConn).stream.bring(b):
		p.kept["damaged, which Modbus TCP cannot tell"]++
		return
	}
	near.Write(b) // a connection that has ended takes nothing
	if bounded && time.Since(q.at) > p.bound()+p.margin()/2 {
		p.overdue[q.number] = true
	}
	p.watchPace(q)
}

// watchPace is for a server that hangs: once it goes on, each answer must follow the one
// before within the time that the poller gives it. If this computer was too busy for
// that, the one before was alone for too long.
func (p *proxy) watchPace(q question) {
	now, since := time.Now(), q.at
	for _, t := range []time.Time{p.delivered, p.wentOn} {
		if t.After(since) {
			since = t
		}
	}
	if p.unbounded && p.kind != acquire.TCP && now.Sub(since) > p.timing.timeout/2 {
		p.overdue[p.lastSent] = true
	}
	p.delivered, p.lastSent = now, q.number
}

// goesOn notes that a server that hung goes on.
func (p *proxy) goesOn() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wentOn = time.Now()
}

// bound is the latest that an answer is sent after its request, and margin what the
// system may take to bring it across.
func (p *proxy) bound() time.Duration  { return p.timing.worst - p.margin() }
func (p *proxy) margin() time.Duration { return p.timing.worst / 3 }

func (p *proxy) keep(why string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.kept[why]++
}

// hasPassed is how many frames came through.
func (p *proxy) hasPassed() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.passed
}

func (p *proxy) note(q question, fault string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.passed++
	p.noted, p.fault = q, fault
	p.frames[fault]++
}

// plant makes a fault the next to be played.
func (p *proxy) plant(f *wireFault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.next = f
}

func (p *proxy) planted() *wireFault {
	p.mu.Lock()
	defer p.mu.Unlock()
	f := p.next
	p.next = nil
	return f
}

// choose takes a fault for the next answer, or none.
func (p *proxy) choose() wireFault {
	if f := p.planted(); f != nil {
		return *f
	}
	if p.quiet > 0 {
		return wireFault{name: halfOpen}
	}
	if len(p.faults) == 0 || p.chance.IntN(faultEvery) > 0 {
		return wireFault{name: "none"}
	}
	if len(p.deck) == 0 {
		p.deck = slices.Clone(p.faults)
		p.chance.Shuffle(len(p.deck), func(i, j int) { p.deck[i], p.deck[j] = p.deck[j], p.deck[i] })
	}
	f := p.deck[0]
	p.deck = p.deck[1:]
	if f.rare > 0 && p.chance.IntN(f.rare) > 0 {
		return wireFault{name: "none"}
	}
	return f
}

// outcomes counts what the poller made of the answers of one line. It belongs to the
// poller's goroutine.
type outcomes struct {
	t        testing.TB
	p        *proxy
	last     uint32                          // the request of the sample before
	made     map[string]map[peak.Quality]int // by fault
	good     int
	wrong    int
	overdue  int      // wrong, but the answer came too late for a serial line
	suspects []uint32 // whose values were taken for others', and the tales
	whys     []string
	goodFrom map[string]int
}

func newOutcomes(t testing.TB, p *proxy) *outcomes {
	return &outcomes{t: t, p: p, made: map[string]map[peak.Quality]int{}, goodFrom: map[string]int{}}
}

// see checks a sample against what was shown to the request it belongs to, which is the
// newest, for the poller writes one at a time.
func (o *outcomes) see(s acquire.Sample) {
	q := o.p.asking.newest()
	fault := o.faultOf(q)
	if o.made[fault] == nil {
		o.made[fault] = map[peak.Quality]int{}
	}
	o.made[fault][s.Quality]++
	again := o.last == q.number
	o.last = q.number
	if s.Quality != peak.Good {
		if s.Force != 0 || s.Pressure != 0 || s.Raw != 0 || s.Why == "" {
			o.t.Errorf("a bad sample has a value, or no reason: %+v", s)
		}
		return
	}
	if again {
		o.t.Errorf("%s: good without a request, the last value again: %+v", o.p.kind, s)
	}
	o.good++
	o.goodFrom[s.Instrument]++
	v := valuesOf(q.number)
	right := s.Instrument == "load" && s.Force == peak.Force(v.load) || s.Instrument == "pressure" && s.Pressure == peak.Pressure(v.pressure)
	if right {
		return
	}
	number := o.origin(s)
	o.suspects = append(o.suspects, number)
	o.whys = append(o.whys, fmt.Sprintf("at request %d (%s), that of request %d: %+v", q.number, fault, number, s))
}

// judge decides, once all is over, which wrong values this computer is to blame for.
func (o *outcomes) judge() {
	o.p.mu.Lock()
	defer o.p.mu.Unlock()
	for i, number := range o.suspects {
		if o.p.overdue[number] {
			o.overdue++
			continue
		}
		o.wrong++
		o.t.Errorf("%s: WRONG VALUE accepted %s", o.p.kind, o.whys[i])
	}
}

// faultOf names what was done to a request.
func (o *outcomes) faultOf(q question) string {
	o.p.mu.Lock()
	defer o.p.mu.Unlock()
	switch {
	case q.number == o.last:
		return "(no request)"
	case o.p.noted.number != q.number:
		return "(not read in time)"
	}
	return o.p.fault
}

// origin finds the request that a value belongs to; 0 for none.
func (o *outcomes) origin(s acquire.Sample) uint32 {
	for number := o.p.asking.newest().number; number > 0; number-- {
		v := valuesOf(number)
		if float64(v.load) == s.Raw || float64(v.pressure) == s.Raw {
			return number
		}
	}
	return 0
}
