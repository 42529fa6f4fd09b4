package acquire_test

import (
	"context"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"thimbled/acquire"
	"thimbled/acquire/bench"
	"thimbled/acquire/modbus"
	"thimbled/acquire/serialport"
	"thimbled/peak"
)

// A simulated load indicator that shows the time: its force in newtons is the
// milliseconds since the start. A good sample must therefore show a moment
// between its question and its answer; a late, repeated or foreign answer shows another.
const ms = time.Millisecond

func clockUnit(start time.Time) bench.Unit {
	return bench.Unit{
		ID: 1, Registers: []bench.Register{
			{At: 0, Type: bench.Int32, Step: int64(peak.Newton)},
			{At: 2, Shows: bench.ShowsStatus, Type: bench.Uint16},
		},
		Values: func() bench.Values {
			return bench.Values{Force: peak.Force(time.Since(start)/ms) * peak.Newton, Status: bench.Stable}
		},
		Full: bench.Values{Force: 900_000_000 * peak.Newton},
	}
}

// gaugeUnit is the neighbour: it always shows 80 bar in a number of the same
// shape, which must never be taken for the load.
func gaugeUnit() bench.Unit {
	return bench.Unit{
		ID: 2, Registers: []bench.Register{
			{At: 0, Shows: bench.ShowsPressure, Type: bench.Int32, Step: int64(peak.Bar / 100)},
			{At: 2, Shows: bench.ShowsStatus, Type: bench.Uint16},
		},
		Values: func() bench.Values { return bench.Values{Pressure: 80 * peak.Bar} },
		Full:   bench.Values{Pressure: 900 * peak.Bar},
	}
}

func faultyLine(t *testing.T, kind bench.Kind, start time.Time) (*bench.Line, *bench.FaultList, acquire.Line) {
	t.Helper()
	settings := bench.LineSettings{Name: "line", Kind: kind}
	status := acquire.Status{
		Table: modbus.Input, Address: 2,
		OverRange: acquire.Bits{Mask: uint16(bench.OverRange)}, NotReady: acquire.Bits{Mask: uint16(bench.NotReady)},
	}
	line := acquire.Line{Name: "line", Kind: acquire.Kind(kind), WorstAnswer: 200 * ms, LineBaud: 115200, Instruments: []acquire.Instrument{
		{
			Name: "load", Measures: acquire.Force, UnitID: 1, Every: 20 * ms, Timeout: 60 * ms, Scale: 1, UnitFactor: 1,
			Value: acquire.Register{Table: modbus.Input, Type: modbus.Int32}, Status: status,
		},
		{
			Name: "pressure", Measures: acquire.Pressure, UnitID: 2, Every: 50 * ms, Timeout: 60 * ms, Scale: 0.01, UnitFactor: 1e5,
			Value: acquire.Register{Table: modbus.Input, Type: modbus.Int32}, Status: status,
		},
	}}
	if kind == bench.RTU {
		settings.Device = filepath.Join(t.TempDir(), "rs485")
		line.Serial = serialport.Settings{Device: settings.Device, Baud: 115200}
	} else {
		settings.Address = "127.0.0.1:0"
	}
	faults := bench.NewFaultList(1)
	simulated, err := bench.NewLine(settings, faults, clockUnit(start), gaugeUnit())
	if err != nil {
		t.Fatal(err)
	}
	line.Address = simulated.Address()
	return simulated, faults, line
}

// watcher checks each sample and counts.
type watcher struct {
	t          *testing.T
	good, bad  map[string]int
	qualities  []peak.Quality
	goodInARow int
}

func (w *watcher) see(s acquire.Sample) {
	if s.Quality != peak.Good {
		w.bad[s.Instrument]++
		w.goodInARow = 0
		if !slices.Contains(w.qualities, s.Quality) {
			w.qualities = append(w.qualities, s.Quality)
		}
		return
	}
	w.good[s.Instrument]++
	w.goodInARow++
	if s.Instrument == "pressure" {
		if s.Pressure != 80*peak.Bar {
			w.t.Errorf("wrong pressure accepted: %v", s.Pressure)
		}
		return
	}
	shown := time.Duration(s.Force/peak.Newton) * ms
	if shown < s.Asked-ms || shown > s.Answered+ms {
		w.t.Errorf("wrong force accepted: it shows %v, asked at %v, answered at %v", shown, s.Asked, s.Answered)
	}
}

// TestFaults plays each fault to the poller over real terminals and sockets: no
// wrong value is ever accepted, and good readings resume. Only functions 1 to 4 are ever asked for.
func TestFaults(t *testing.T) {
	for _, kind := range []bench.Kind{bench.RTU, bench.TCP, bench.RTUOverTCP} {
		for _, fault := range bench.Faults() {
			// A value that is stuck cannot be told by the line: see StuckWatch. The
			// simulated values are whole numbers, which cannot be NaN.
			if fault == bench.StuckValue || fault == bench.NotANumber {
				continue
			}
			t.Run(string(kind)+"/"+fault.String(), func(t *testing.T) {
				t.Parallel()
				playFault(t, kind, fault)
			})
		}
	}
}

func playFault(t *testing.T, kind bench.Kind, fault bench.Fault) {
	start := time.Now()
	simulated, faults, line := faultyLine(t, kind, start)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	served := make(chan error, 1)
	go func() { served <- simulated.Serve(ctx) }()
	w := &watcher{t: t, good: map[string]int{}, bad: map[string]int{}}
	spoilt := func() int { return faults.Spoilt()[fault] }
	injections, resumed := 0, false
	err := acquire.Poll(ctx, line, start, func(s acquire.Sample) {
		w.see(s)
		switch {
		case w.goodInARow < 8:
		case injections < 3: // again and again, each time after good readings
			i := bench.Injection{Fault: fault, Count: 2}
			switch fault {
			case bench.Late:
				i.Takes = 90 * ms // beyond the timeout, within the worst answer time
			case bench.Unplug, bench.Babble:
				i.Takes = 200 * ms
			}
			if err := faults.Inject(i); err != nil {
				t.Error(err)
			}
			injections++
			w.goodInARow = 0
		case w.good["load"] > 20 && w.good["pressure"] > 5:
			resumed = true
			cancel()
		}
	})
	cancel()
	if err != nil || <-served != nil {
		t.Errorf("poll: %v", err)
	}
	if !resumed {
		t.Errorf("good readings did not resume: %v good, %v bad (%v), %d spoilt", w.good, w.bad, w.qualities, spoilt())
	}
	if applies(kind, fault) && spoilt() == 0 {
		t.Error("the fault was never played")
	}
	for code := range simulated.Functions() {
		if code < 1 || code > 4 {
			t.Errorf("function %d was asked for", code)
		}
	}
}

// applies says whether a fault can happen on a kind of line.
func applies(kind bench.Kind, f bench.Fault) bool {
	if kind == bench.TCP {
		return f != bench.BadCRC && f != bench.Echo
	}
	return f != bench.WrongID
}

// TestDeadNeighbour lets the load indicator fall silent for good: its neighbour's
// readings go on, and it is found again.
func TestDeadNeighbour(t *testing.T) {
	t.Parallel()
	start := time.Now()
	simulated, faults, line := faultyLine(t, bench.RTU, start)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	go simulated.Serve(ctx)
	if err := faults.Inject(bench.Injection{Fault: bench.Silent, Unit: 1, For: 3 * time.Second}); err != nil {
		t.Fatal(err)
	}
	w := &watcher{t: t, good: map[string]int{}, bad: map[string]int{}}
	whileDead := 0
	if err := acquire.Poll(ctx, line, start, func(s acquire.Sample) {
		w.see(s)
		if w.good["load"] == 0 {
			whileDead = w.good["pressure"]
		}
		if w.good["load"] >= 10 {
			cancel()
		}
	}); err != nil {
		t.Fatal(err)
	}
	// Three seconds hold 60 slots of the neighbour; each of about five attempts at
	// the dead one costs it 200 ms, which are four.
	if w.good["load"] < 10 || whileDead < 20 || w.bad["load"] > 12 {
		t.Errorf("%d readings of the neighbour while the load was dead, %v good, %v bad", whileDead, w.good, w.bad)
	}
}
