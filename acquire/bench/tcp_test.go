package bench

import (
	"errors"
	"io"
	"net"
	"os"
	"testing"
	"time"
)

func dialTCP(t *testing.T, l *Line) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", l.Address())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func TestTCPServesSeveralClients(t *testing.T) {
	l := steady(t, LineSettings{Kind: TCP, Address: "127.0.0.1:0"})
	served(t, l)
	ask, reply := unhex(t, "0102 0000 0006 01 04 0000 0002"), unhex(t, "0102 0000 0007 01 04 04 42F6E666")
	first, second := dialTCP(t, l), dialTCP(t, l)
	for range 3 {
		exchange(t, first, ask, reply)
		exchange(t, second, ask, reply)
	}
	if n := l.Functions()[4]; n != 6 {
		t.Errorf("function 4 was counted %d times", n)
	}
	second.Write(unhex(t, "0102 0001 0006 01 04 0000 0002")) // another protocol
	wantClosed(t, second)
	exchange(t, first, ask, reply)
}

// wantClosed checks that the other side has closed the connection.
func wantClosed(t *testing.T, conn net.Conn) {
	t.Helper()
	conn.SetReadDeadline(time.Now().Add(patience))
	n, err := conn.Read(make([]byte, 16))
	if n != 0 || err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%d bytes, %v, want a closed connection", n, err)
	}
}

func TestRTUOverTCP(t *testing.T) {
	l := steady(t, LineSettings{Kind: RTUOverTCP, Address: "127.0.0.1:0"})
	served(t, l)
	exchangeLoad(t, dialTCP(t, l))
}

func TestTextOverTCP(t *testing.T) {
	l := steady(t, LineSettings{Kind: Text, Address: "127.0.0.1:0", Print: Printing{OnDemand: true}})
	served(t, l)
	exchange(t, dialTCP(t, l), []byte("?"), []byte(printedLoad))
}

// While the line is unplugged every connection is closed, the old ones and the
// new; afterwards the same address serves again.
func TestTCPIsUnpluggedAndReplugged(t *testing.T) {
	l := steady(t, LineSettings{Kind: RTUOverTCP, Address: "127.0.0.1:0"})
	served(t, l)
	first, second := dialTCP(t, l), dialTCP(t, l)
	exchangeLoad(t, first)
	exchangeLoad(t, second)
	inject(t, l, Injection{Fault: Unplug, Takes: time.Hour})
	first.Write(appendCRC(unhex(t, askLoad)))
	wantClosed(t, first)
	wantClosed(t, second)
	wantClosed(t, dialTCP(t, l))
	l.mu.Lock()
	l.absent = time.Time{}
	l.mu.Unlock()
	exchangeLoad(t, dialTCP(t, l))
}

func TestCutClosesOneConnection(t *testing.T) {
	l := steady(t, LineSettings{Kind: RTUOverTCP, Address: "127.0.0.1:0"})
	served(t, l)
	first, second := dialTCP(t, l), dialTCP(t, l)
	exchangeLoad(t, second)
	inject(t, l, Injection{Fault: Cut})
	first.Write(appendCRC(unhex(t, askLoad)))
	first.SetReadDeadline(time.Now().Add(patience))
	got, err := io.ReadAll(first)
	if len(got) != 4 || err != nil {
		t.Errorf("% X, %v, want half an answer and the end", got, err)
	}
	exchangeLoad(t, second)
}

func TestBadLinesAreRefused(t *testing.T) {
	load := LoadUnit(1, Dock3.Indicator, func() Values { return Values{} })
	gauge := PressureUnit(2, Dock3.Transducer, func() Values { return Values{} })
	for name, c := range map[string]struct {
		settings LineSettings
		units    []Unit
	}{
		"no kind":         {LineSettings{}, []Unit{load}},
		"no unit":         {LineSettings{Kind: RTU}, nil},
		"twice":           {LineSettings{Kind: RTU}, []Unit{load, load}},
		"two print":       {LineSettings{Kind: Text}, []Unit{load, gauge}},
		"device of TCP":   {LineSettings{Kind: TCP, Device: "x"}, []Unit{load}},
		"address of RTU":  {LineSettings{Kind: RTU, Address: "127.0.0.1:0"}, []Unit{load}},
		"two ways":        {LineSettings{Kind: Text, Device: "x", Address: "127.0.0.1:0"}, []Unit{load}},
		"bad address":     {LineSettings{Kind: TCP, Address: "nowhere"}, []Unit{load}},
		"no such folder":  {LineSettings{Kind: RTU, Device: "/no/such/folder/tty"}, []Unit{load}},
		"negative pace":   {LineSettings{Kind: RTU, Pace: Pace{Delay: -1}}, []Unit{load}},
		"negative period": {LineSettings{Kind: Text, Print: Printing{Every: -1}}, []Unit{load}},
	} {
		if l, err := NewLine(c.settings, NewFaultList(1), c.units...); err == nil {
			l.Close()
			t.Errorf("%s was taken", name)
		}
	}
}
