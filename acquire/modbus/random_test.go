package modbus

import (
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// transactions is how many each random test makes, per setting.
const transactions = 3000

// allTables is what may be asked for.
var allTables = []Table{Coils, DiscreteInputs, Holding, Input}

func randomRequest(chance *rand.Rand) Request {
	return Request{
		Unit:    byte(1 + chance.IntN(2)),
		Table:   allTables[chance.IntN(len(allTables))],
		Address: uint16(chance.IntN(0x700)),
		Count:   uint16(2 + chance.IntN(24)),
	}
}

// onlyReads checks that nothing but functions 1 to 4 was ever written.
func onlyReads(t *testing.T, functions [256]int) {
	t.Helper()
	sum := 0
	for f, n := range functions {
		if n > 0 && (f < 1 || f > 4) {
			t.Errorf("function %d was written %d times", f, n)
		}
		sum += n
	}
	if sum < transactions/3 {
		t.Errorf("only %d requests were written", sum)
	}
}

// TestRandomFaults polls a line on which every other answer goes wrong in some
// way, and noise comes at any time. No value but the right one may be accepted,
// and good ones must come through.
func TestRandomFaults(t *testing.T) {
	for _, mode := range []Echo{EchoAuto, EchoOn, EchoOff} {
		for _, echo := range []bool{false, true} {
			if mode == EchoOn && !echo || mode == EchoOff && echo {
				continue // no reading can be good
			}
			synctest.Test(t, func(t *testing.T) {
				randomLine(t, rand.New(rand.NewPCG(uint64(mode), 7)), mode, echo)
			})
		}
	}
}

func randomLine(t *testing.T, chance *rand.Rand, mode Echo, echo bool) {
	var functions [256]int
	slave := func(request []byte) []piece {
		functions[request[1]]++
		q := parseRTU(t, request)
		return randomAnswer(chance, q, request)
	}
	if echo {
		slave = echoing(slave)
	}
	l := newLine(slave)
	c := rtuClient(l, withEcho(mode))
	good := 0
	for range transactions {
		if poll(t, c, randomRequest(chance)) == nil {
			good++
		}
		if chance.IntN(3) == 0 {
			time.Sleep(time.Duration(chance.IntN(60)) * time.Millisecond)
		}
		l.written = nil
	}
	if good < transactions/4 {
		t.Errorf("mode %d: %d of %d were good", mode, good, transactions)
	}
	onlyReads(t, functions)
	t.Logf("mode %d, echo %v: %d good, %+v", mode, echo, good, c.Counters())
}

func randomAnswer(chance *rand.Rand, q Request, request []byte) []piece {
	good := goodRTU(q)
	var pieces []piece
	switch n := chance.IntN(2 * len(rtuFaults)); {
	case n < len(rtuFaults):
		pieces = rtuFaults[n].does(q, request, good)
	case chance.IntN(10) == 0:
		pieces = once(turn, exceptionOf(q, byte(1+chance.IntN(11))))
	case chance.IntN(4) == 0:
		// Late by anything within the worst, which counts from the end of the
		// time on the wire.
		late := time.Duration(chance.Int64N(int64(testRTU.WorstAnswer)))
		pieces = once(late+time.Duration(len(request))*testChar, good)
	default:
		pieces = paced(turn, testChar, good)
	}
	if chance.IntN(10) == 0 {
		noise := make([]byte, 1+chance.IntN(20))
		for i := range noise {
			noise[i] = byte(chance.Uint32())
		}
		after := 1 + time.Duration(chance.Int64N(int64(600*time.Millisecond)))
		pieces = append(pieces, paced(after, testChar, noise)...)
	}
	return pieces
}

// TestRandomTCPFaults does the same to connections, which are made anew when
// they are lost.
func TestRandomTCPFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chance := rand.New(rand.NewPCG(1, 2))
		var functions [256]int
		connect := func() (*Client, *line) {
			l := newLine(nil)
			l.slave = func(request []byte) []piece {
				f, q := parseTCP(t, request)
				functions[request[7]]++
				if n := chance.IntN(2 * len(tcpFaults)); n < len(tcpFaults) {
					return tcpFaults[n].does(l, f, q, goodTCP(f, q))
				}
				return once(soon, goodTCP(f, q))
			}
			return NewTCP(l, testTCP), l
		}
		c, l := connect()
		good, lost := 0, 0
		for range transactions {
			err := poll(t, c, randomRequest(chance))
			if err == nil {
				good++
			}
			if Lost(err) {
				lost++
				c, l = connect()
			}
			l.written = nil
		}
		if good < transactions/3 || lost == 0 {
			t.Errorf("%d good, %d lost", good, lost)
		}
		onlyReads(t, functions)
	})
}

// FuzzSearch gives the search any bytes in any pieces. What it accepts must be
// in the bytes, be right by itself, and not begin with the request; and it must
// not depend on the pieces.
func FuzzSearch(f *testing.F) {
	q := Request{Unit: 1, Table: Input, Address: 0x0400, Count: 2}
	good := goodRTU(q)
	for _, b := range [][]byte{
		good, good[:6], slices.Concat(noise, good, good), exceptionOf(q, 2), requestFrame(q),
		slices.Concat(requestFrame(q), []byte{0}), slices.Concat(requestFrame(q), good),
	} {
		f.Add(b, uint8(0), uint8(3))
		f.Add(b, uint8(1), uint8(1))
		f.Add(b, uint8(2), uint8(200))
	}
	f.Fuzz(func(t *testing.T, b []byte, mode, step uint8) {
		a := asked{frame: requestFrame(q), unit: q.Unit, function: byte(q.Table), size: 4}
		whole := search{asked: a, echo: Echo(mode % 3)}
		want, _, wantErr := whole.next(b)
		byStep := search{asked: a, echo: Echo(mode % 3)}
		var got []byte
		var err error
		for n := 0; n < len(b) && got == nil && err == nil; {
			n = min(len(b), n+1+int(step))
			var missing int
			got, missing, err = byStep.next(b[:n])
			if got == nil && err == nil && missing < 1 {
				t.Fatalf("nothing found and %d bytes missing", missing)
			}
		}
		if string(got) != string(want) || (err == nil) != (wantErr == nil) {
			t.Fatalf("in one piece % x, %v; in pieces % x, %v", want, wantErr, got, err)
		}
		if foreign, why := whole.explain(b); want == nil && wantErr == nil && why == nil {
			t.Fatalf("no reason, foreign %v", foreign)
		}
		checkFound(t, a, b, got)
	})
}

func checkFound(t *testing.T, a asked, b, got []byte) {
	t.Helper()
	if got == nil {
		return
	}
	unit, pdu, err := CheckRTU(got)
	if err != nil || a.fits(unit, pdu) != nil {
		t.Fatalf("accepted % x: %v", got, err)
	}
	if len(got) > len(b) || string(got[:min(len(got), 8)]) == string(a.frame) {
		t.Fatalf("accepted % x of % x", got, b)
	}
}
