package modbus

import (
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

// An answer that a process which stood still finds when it goes on is of any age: it
// counts only if it is read within the time that it has.
func TestAnswerFoundTooLate(t *testing.T) {
	tcp := func(t *testing.T) (*line, *Client) {
		l := newLine(func(request []byte) []piece {
			f, q := parseTCP(t, request)
			return once(soon, goodTCP(f, q))
		})
		return l, NewTCP(l, testTCP)
	}
	rtu := func(t *testing.T) (*line, *Client) {
		l := newLine(func(request []byte) []piece { return once(soon, goodRTU(parseRTU(t, request))) })
		return l, rtuClient(l, testRTU)
	}
	for name, connect := range map[string]func(*testing.T) (*line, *Client){"tcp": tcp, "rtu": rtu} {
		for _, still := range []time.Duration{50 * time.Millisecond, 150 * time.Millisecond, 10 * time.Second} {
			t.Run(fmt.Sprint(name, " ", still), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					l, c := connect(t)
					for i := range uint16(6) {
						if i == 2 {
							l.still = still
						}
						err := poll(t, c, Request{Unit: 7, Table: Input, Address: 100 * i, Count: 2})
						if late := i == 2 && still > 100*time.Millisecond; late != errors.Is(err, ErrTimeout) || !late && err != nil {
							t.Errorf("request %d: %v", i, err)
						}
						if Lost(err) {
							t.Errorf("the line is given up: %v", err)
						}
					}
				})
			})
		}
	}
}
