package acquire

import (
	"strconv"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/acquire/text"
)

// hangingIndicator answers the nth request with n kN. While it hangs it answers nothing; then
// all that it was asked, pace apart, and after that as before.
type hangingIndicator struct {
	*bus
	pace    time.Duration
	mu      sync.Mutex
	asked   int
	waiting []int
	hanging bool
	busy    time.Time // until when it still answers late
}

func newHangingIndicator(pace time.Duration) *hangingIndicator {
	h := &hangingIndicator{bus: newBus(false), pace: pace}
	h.onWrite = func([]byte) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.asked++
		if h.hanging {
			h.waiting = append(h.waiting, h.asked)
			return
		}
		h.printAfter(max(20*ms, time.Until(h.busy)+20*ms), h.asked)
	}
	return h
}

func (h *hangingIndicator) printAfter(d time.Duration, n int) {
	time.AfterFunc(d, func() { h.port.arrive([]byte(strconv.Itoa(n) + " kN\r\n")) })
}

func (h *hangingIndicator) hang() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.hanging = true
}

func (h *hangingIndicator) goOn() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for i, n := range h.waiting {
		h.printAfter(time.Duration(i)*h.pace, n)
	}
	h.busy = time.Now().Add(time.Duration(len(h.waiting)) * h.pace)
	h.hanging, h.waiting = false, nil
}

// An indicator that is asked for lines hangs for any time, and answers late whatever it
// was asked. No line may be taken for that to a later request, and good ones must come again.
func TestTextHang(t *testing.T) {
	for _, pace := range []time.Duration{0, time.Millisecond, 20 * ms, 150 * ms} {
		for hang := 190 * ms; hang < 2500*ms; hang += 23 * ms {
			synctest.Test(t, func(t *testing.T) { playTextHang(t, hang, pace) })
		}
	}
}

func playTextHang(t *testing.T, hang, pace time.Duration) {
	h := newHangingIndicator(pace)
	port, err := h.open(t.Context(), Line{})
	if err != nil {
		t.Fatal(err)
	}
	in := printer(t, 50*ms, "R\r")
	r := text.NewReader(port, "", 500*ms)
	good := 0
	ask := func() {
		a, err := r.Ask(in.Ask, in.Format, in.Timeout)
		if err != nil {
			return
		}
		if good++; a.Number != float64(h.asked) {
			t.Errorf("hang of %v, pace %v: %v was taken for the answer to request %d", hang, pace, a.Number, h.asked)
		}
	}
	ask()
	h.hang()
	time.AfterFunc(hang, h.goOn)
	for range 30 {
		ask()
	}
	if good < 20 {
		t.Errorf("hang of %v, pace %v: %d good", hang, pace, good)
	}
}
