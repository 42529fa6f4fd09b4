package capture

import (
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/acquire/modbus"
)

func TestReplay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewReplay(parsed(t, `5.000000 rx 0102
5.100000 tx aabb
5.100500 tx cc
5.150000 rx 03
9.150000 rx 04
9.200000 tx dd
`))
		began := time.Now()
		expect := func(n int, want string, after time.Duration) {
			t.Helper()
			b := make([]byte, n)
			got, err := p.Read(b)
			if err != nil || string(b[:got]) != want || time.Since(began) != after {
				t.Fatalf("read % x, %v after %v, want % x after %v", b[:got], err, time.Since(began), want, after)
			}
		}
		send := func(b string) {
			t.Helper()
			if n, err := p.Write([]byte(b)); n != len(b) || err != nil {
				t.Fatalf("sent %d of % x: %v", n, b, err)
			}
		}
		expect(1, "\x01", 0) // the wait before the first event is not played
		expect(9, "\x02", 0)
		send("\xaa")
		send("\xbb\xcc")
		expect(9, "\x03", 49500*time.Microsecond)
		if err := p.SetReadDeadline(time.Now().Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		if _, err := p.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatal(err)
		}
		_ = p.SetReadDeadline(time.Time{})
		send("\xdd") // sent before the byte 04 has come, which still comes at its time
		if p.Done() {
			t.Error("done before its end")
		}
		expect(1, "\x04", 4049500*time.Microsecond)
		if _, err := p.Read(make([]byte, 1)); err != io.EOF || !p.Done() {
			t.Errorf("at the end: %v, done %v", err, p.Done())
		}
	})
}

func TestReplayNamesTheDifference(t *testing.T) {
	for name, c := range map[string]struct{ send, want string }{
		"other bytes":    {"\xaa\xbc", "line 3: sent aa bc where aa bb was"},
		"behind its end": {"\xaa\xbb\x00", "sent aa bb 00 behind its end"},
	} {
		p := NewReplay(parsed(t, "# line x\n\n0.000000 tx aabb\n"))
		for range 2 {
			_, err := p.Write([]byte(c.send))
			if !errors.Is(err, ErrReplay) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%s: %v, want %q", name, err, c.want)
			}
		}
		if _, err := p.Read(make([]byte, 1)); !errors.Is(err, ErrReplay) {
			t.Errorf("%s: then read gave %v", name, err)
		}
	}
}

func TestReplayCloses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewReplay(parsed(t, "0.000000 tx aabb\n"))
		time.AfterFunc(time.Second, func() { p.Close() })
		if _, err := p.Read(make([]byte, 1)); !errors.Is(err, os.ErrClosed) {
			t.Error(err)
		}
		if _, err := p.Write([]byte{0xAA}); !errors.Is(err, os.ErrClosed) {
			t.Error(err)
		}
	})
}

// A recording of a client's polls, with a refusal and an answer that came too
// late, gives the same results when it is played back to another client.
func TestRecordAndReplay(t *testing.T) {
	settings := modbus.Settings{Timeout: 100 * time.Millisecond, WorstAnswer: 300 * time.Millisecond}
	poll := func(p Port) (results []string) {
		c := modbus.NewRTU(p, settings)
		for address := range uint16(4) {
			data, _, err := c.Read(context.Background(), modbus.Request{Unit: 1, Table: modbus.Input, Address: address, Count: 1})
			if err != nil {
				results = append(results, err.Error())
				continue
			}
			results = append(results, string(data))
		}
		return results
	}
	synctest.Test(t, func(t *testing.T) {
		var text strings.Builder
		tap := NewTap("rs485")
		ended := start(t, tap, &text, Limits{})
		first := poll(tap.Wrap(newSlave()))
		tap.Stop()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		p := NewReplay(parsed(t, text.String()))
		second := poll(p)
		if strings.Join(first, "|") != strings.Join(second, "|") || !p.Done() {
			t.Errorf("first %q\nthen  %q, done %v", first, second, p.Done())
		}
		if first[0] != "\x00\x2A" || !strings.Contains(first[1], "exception 2") ||
			!strings.Contains(first[2], "no answer") || first[3] != "\x00\x2D" {
			t.Errorf("the polls gave %q", first)
		}
	})
}

// newSlave is a Modbus slave made of a recording: answers to the requests for
// addresses 0 to 3 of which the second is an exception and the third too late.
func newSlave() Port {
	frame := func(pdu ...byte) []byte { return modbus.AppendRTU(nil, 1, pdu) }
	var r Recording
	at := time.Duration(0)
	for address := range byte(4) {
		answer, delay := frame(4, 2, 0, 42+address), 10*time.Millisecond
		switch address {
		case 1:
			answer = frame(0x84, 2)
		case 2:
			delay = 150 * time.Millisecond
		}
		r.Events = append(r.Events,
			Event{Elapsed: at, Direction: Sent, Bytes: frame(4, 0, address, 0, 1)},
			Event{Elapsed: at + delay, Direction: Received, Bytes: answer})
		at += time.Second
	}
	return NewReplay(r)
}
