package modbus

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/goburrow/modbus"
)

// Defaults of [Settings].
const (
	DefaultTimeout     = 500 * time.Millisecond
	DefaultWorstAnswer = 500 * time.Millisecond
)

// Settings say what the client may rely on about its line.
type Settings struct {
	// Timeout is how long an instrument may take to answer, beyond the time
	// that the request and the answer themselves take on the wire. 0 means
	// DefaultTimeout.
	Timeout time.Duration

	// CharTime is the time of one character on the serial line, or on the far
	// line of a socket that carries one; see the function of that name. 0
	// means that frames take no time. TCP does not use it.
	CharTime time.Duration
	// Silence is the least silence before a request; see the function of that
	// name. 0 means 1.75 ms. TCP does not use it.
	Silence time.Duration
	// WorstAnswer is the longest that any instrument of the line, and whatever
	// carries its answer, can take beyond the time on the wire. After a failed
	// exchange nothing is sent until it has passed. An answer that comes later
	// still is told by the one behind it; if it comes alone, and before a second
	// request has stayed unanswered, nothing tells it. 0 means
	// DefaultWorstAnswer; it is never less than Timeout. TCP does not use it.
	WorstAnswer time.Duration
	// Echo says whether the adapter repeats what is sent. TCP does not use it.
	Echo Echo
	// Sleep waits for a moment, or less when ctx ends; nil means as exactly as the
	// system can. TCP does not use it.
	Sleep func(ctx context.Context, until time.Time) error
}

func (s Settings) withDefaults() Settings {
	if s.Timeout <= 0 {
		s.Timeout = DefaultTimeout
	}
	if s.WorstAnswer <= 0 {
		s.WorstAnswer = DefaultWorstAnswer
	}
	s.WorstAnswer = max(s.WorstAnswer, s.Timeout)
	if s.Silence <= 0 {
		s.Silence = fixedSilence
	}
	return s
}

// Stamps are the moments of an exchange, on the monotonic clock.
type Stamps struct {
	Asked    time.Time // just before the request was written
	Answered time.Time // when the last byte of the answer had been read
}

// Counters count since the client was made.
type Counters struct {
	Requests    uint64 // written to the line
	Timeouts    uint64 // exchanges that nothing answered
	Garbled     uint64 // exchanges that failed with ErrGarbled
	Exceptions  uint64 // answers that were exceptions
	Foreign     uint64 // whole frames that answered something else
	StrayBytes  uint64 // bytes that belonged to no answer, dropped
	Quarantines uint64 // times the line was left alone for WorstAnswer
	Echoes      uint64 // requests that the adapter repeated
}

// link carries one request and brings its answer back.
type link interface {
	// exchange returns a whole frame whose unit, function, length and check
	// are those of an answer or an exception to a. The frame is valid until
	// the next call.
	exchange(ctx context.Context, a asked) ([]byte, Stamps, error)
}

// asked is a request on its way and what its answer must be like.
type asked struct {
	frame    []byte // as it goes on the wire
	unit     byte
	function byte
	size     int // data bytes in the answer
	timeout  time.Duration
}

// Client reads from the instruments of one line. It belongs to one goroutine.
type Client struct {
	wire     *wire
	link     link
	packager modbus.Packager
	unit     *byte // the unit that the packager puts into the next frame
	pdu      modbus.ProtocolDataUnit
	fields   [4]byte
	timeout  time.Duration
	echo     func() bool
}

// NewRTU returns a client for RTU frames on a serial line or on a socket that
// carries one. Its first request waits for WorstAnswer, because an answer to
// whoever used the line before may still be on its way.
func NewRTU(port Port, s Settings) *Client {
	s = s.withDefaults()
	w := newWire(port)
	packager := modbus.NewRTUClientHandler("")
	r := newRTU(w, s)
	return &Client{
		wire: w, link: r, packager: packager, unit: &packager.SlaveId,
		timeout: s.Timeout, echo: func() bool { return r.echoSeen },
	}
}

// NewTCP returns a client for Modbus TCP on a connection that nobody has used
// before.
func NewTCP(port Port, s Settings) *Client {
	s = s.withDefaults()
	w := newWire(port)
	packager := modbus.NewTCPClientHandler("")
	return &Client{
		wire: w, link: &tcp{wire: w}, packager: packager, unit: &packager.SlaveId,
		timeout: s.Timeout, echo: func() bool { return false },
	}
}

// Read asks for registers or bits and returns the data as they were on the
// wire: two bytes a register, high byte first, or eight bits a byte, the first
// bit lowest. The data are valid until the next call. The stamps are set as far
// as the exchange came. After an error for which [Lost] is true the client is of no
// further use.
func (c *Client) Read(ctx context.Context, q Request) ([]byte, Stamps, error) {
	data, at, err := c.read(ctx, q)
	if err != nil {
		return nil, at, fmt.Errorf("read %v: %w", q, err)
	}
	return data, at, nil
}

func (c *Client) read(ctx context.Context, q Request) ([]byte, Stamps, error) {
	if c.wire.ended != nil {
		return nil, Stamps{}, c.wire.ended
	}
	if err := ctx.Err(); err != nil {
		return nil, Stamps{}, err
	}
	a, err := c.encode(q)
	if err != nil {
		return nil, Stamps{}, err
	}
	stop := c.wire.watch(ctx)
	answer, at, err := c.link.exchange(ctx, a)
	stop()
	if err != nil {
		c.wire.count(err)
		return nil, at, err
	}
	data, err := c.decode(answer)
	return data, at, err
}

// encode is the only place where requests are made.
func (c *Client) encode(q Request) (asked, error) {
	if err := q.check(); err != nil {
		return asked{}, err
	}
	binary.BigEndian.PutUint16(c.fields[0:], q.Address)
	binary.BigEndian.PutUint16(c.fields[2:], q.Count)
	*c.unit = q.Unit
	c.pdu = modbus.ProtocolDataUnit{FunctionCode: byte(q.Table), Data: c.fields[:]}
	frame, err := c.packager.Encode(&c.pdu)
	if err != nil {
		return asked{}, err
	}
	timeout := q.Timeout
	if timeout <= 0 {
		timeout = c.timeout
	}
	return asked{frame, q.Unit, byte(q.Table), q.Table.size(q.Count), timeout}, nil
}

func (c *Client) decode(answer []byte) ([]byte, error) {
	pdu, err := c.packager.Decode(answer)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrGarbled, err)
	}
	if pdu.FunctionCode&exceptionFlag != 0 {
		c.wire.counters.Exceptions++
		return nil, &Exception{pdu.FunctionCode &^ exceptionFlag, pdu.Data[0]}
	}
	return pdu.Data[1:], nil
}

// Counters returns what was counted so far.
func (c *Client) Counters() Counters { return c.wire.counters }

// EchoSeen says that the adapter repeats what is sent: an answer came behind an
// exact copy of its request.
func (c *Client) EchoSeen() bool { return c.echo() }

// Close closes the line. A later Read fails with ErrGone.
func (c *Client) Close() error {
	c.wire.end(fmt.Errorf("%w: closed", ErrGone))
	return c.wire.port.Close()
}
