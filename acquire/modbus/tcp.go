package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"
)

// tcp carries Modbus TCP frames. The transaction identifier tells answers
// apart, so a late one is skipped; a stream that is out of step is given up.
type tcp struct {
	*wire
	buf  [2 * maxTCP]byte
	n    int // bytes in buf
	used int // of which these were dealt with
}

func (t *tcp) exchange(ctx context.Context, a asked) ([]byte, Stamps, error) {
	at := Stamps{Asked: time.Now()}
	if err := t.write(a.frame); err != nil {
		return nil, at, err
	}
	skipped := 0
	for deadline := at.Asked.Add(a.timeout); ; {
		frame, more, err := t.next(a, &skipped)
		if err != nil {
			return nil, at, err
		}
		if !more {
			at.Answered = time.Now()
			if err := inTime(a, at, deadline); err != nil {
				return nil, at, err
			}
			return frame, at, nil
		}
		n, err := t.wire.read(ctx, t.buf[t.n:], deadline)
		if err != nil {
			return nil, at, err
		}
		if n == 0 {
			return nil, at, t.late(a, skipped)
		}
		t.n += n
	}
}

// next deals with the whole frames in the buffer until one answers a. more says
// that none did.
func (t *tcp) next(a asked, skipped *int) (frame []byte, more bool, err error) {
	for {
		f, err := ParseMBAP(t.buf[t.used:t.n])
		if errors.Is(err, ErrFrameShort) {
			t.compact()
			return nil, true, nil
		}
		if err != nil {
			return nil, false, t.broken(fmt.Errorf("%w: %w", ErrGarbled, err))
		}
		frame = t.buf[t.used : t.used+f.Size]
		t.used += f.Size
		if f.Transaction == binary.BigEndian.Uint16(a.frame) {
			if err := t.inStep(); err != nil {
				return nil, false, t.broken(fmt.Errorf("%w: behind the answer: %w", ErrGarbled, err))
			}
			return frame, false, t.judge(f, a)
		}
		*skipped++
		t.counters.Foreign++
		t.counters.StrayBytes += uint64(f.Size)
	}
}

// inStep checks that nothing but whole frames came behind an answer. Other bytes
// mean that its data may be shifted, or end in another frame's; Modbus TCP has no
// check that would tell.
func (t *tcp) inStep() error {
	for rest := t.buf[t.used:t.n]; len(rest) > 0; {
		f, err := ParseMBAP(rest)
		if err != nil {
			return err
		}
		rest = rest[f.Size:]
	}
	return nil
}

// judge checks a frame of the right transaction.
func (t *tcp) judge(f Frame, a asked) error {
	err := a.fits(f.Unit, f.PDU)
	if err != nil {
		t.counters.Foreign++
		t.counters.StrayBytes += uint64(f.Size)
	}
	return err
}

func (t *tcp) compact() {
	t.n = copy(t.buf[:], t.buf[t.used:t.n])
	t.used = 0
}

// late says what it means that the deadline has passed. A silent instrument
// behind a gateway is no reason to connect anew; half a frame, or answers to
// other requests only, are.
func (t *tcp) late(a asked, skipped int) error {
	switch {
	case t.n > 0:
		t.counters.StrayBytes += uint64(t.n)
		return t.broken(fmt.Errorf("%w: frame cut short after %d bytes", ErrGarbled, t.n))
	case skipped > 0:
		return t.broken(fmt.Errorf("%w within %v, only to other requests", ErrTimeout, a.timeout))
	}
	return fmt.Errorf("%w within %v", ErrTimeout, a.timeout)
}
