package bench

import (
	"errors"
	"io"
	"net"
	"os"
	"testing"
	"testing/synctest"
	"time"
)

var _ net.Conn = (*End)(nil)

func TestPipeHasABuffer(t *testing.T) {
	a, b := Pipe()
	for _, part := range []string{"one", "two"} {
		if n, err := a.Write([]byte(part)); n != 3 || err != nil {
			t.Fatal(n, err)
		}
	}
	buf := make([]byte, 10)
	if n, err := b.Read(buf); string(buf[:n]) != "onetwo" || err != nil {
		t.Errorf("read %q, %v", buf[:n], err)
	}
	a.Write([]byte("stale"))
	b.ResetInputBuffer()
	a.Write([]byte("fresh"))
	if n, err := b.Read(buf); string(buf[:n]) != "fresh" || err != nil {
		t.Errorf("read %q, %v", buf[:n], err)
	}
}

func TestPipeLosesWhatDoesNotFit(t *testing.T) {
	a, b := Pipe()
	if n, err := a.Write(make([]byte, 2*pipeDepth)); n != 2*pipeDepth || err != nil {
		t.Fatal(n, err)
	}
	a.Close()
	got, err := io.ReadAll(b)
	if len(got) != pipeDepth || err != nil {
		t.Errorf("read %d bytes, %v", len(got), err)
	}
}

func TestPipeDeadlines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := Pipe()
		defer a.Close()
		defer b.Close()
		start, buf := time.Now(), make([]byte, 10)
		b.SetReadDeadline(start.Add(time.Second))
		n, err := b.Read(buf)
		if n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(start) != time.Second {
			t.Errorf("read %d, %v after %s", n, err, time.Since(start))
		}
		a.Write([]byte("x"))
		if _, err := b.Read(buf); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("read past the deadline: %v", err)
		}
		b.SetReadDeadline(time.Time{})
		if n, err := b.Read(buf); n != 1 || err != nil {
			t.Errorf("read %d, %v without a deadline", n, err)
		}
		time.AfterFunc(time.Second, func() { b.SetReadDeadline(time.Now()) })
		if _, err := b.Read(buf); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("a deadline set meanwhile gave %v", err)
		}
	})
}

func TestPipeCloses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := Pipe()
		time.AfterFunc(time.Second, func() { a.Close() })
		if _, err := a.Read(make([]byte, 1)); !errors.Is(err, net.ErrClosed) {
			t.Errorf("own close gave %v", err)
		}
		if _, err := b.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
			t.Errorf("other close gave %v", err)
		}
		if _, err := b.Write([]byte("x")); !errors.Is(err, io.ErrClosedPipe) {
			t.Errorf("writing to a closed end gave %v", err)
		}
		if _, err := a.Write([]byte("x")); !errors.Is(err, net.ErrClosed) {
			t.Errorf("writing after own close gave %v", err)
		}
	})
}
