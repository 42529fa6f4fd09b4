package peak_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"thimbled/peak"
)

// verified is a verification of the bench of the stories, from 10 kN to 200 kN.
func verified() peak.Verification {
	return peak.Verification{
		From: 10 * peak.Kilonewton, To: 200 * peak.Kilonewton, Until: 24 * time.Hour,
		Standard: peak.Standard{Name: "reference cell R-1", Uncertainty: peak.Percent / 10},
		MaxError: peak.Percent / 5, Repeatability: 3000,
	}
}

// play steps a new core with the force of a function of time, read at a rate, and
// returns the pull that came of it.
func play(t *testing.T, set peak.Settings, start peak.Start, every, long time.Duration, force func(at time.Duration) float64) peak.PullEnded {
	t.Helper()
	m := peak.New(set, start)
	var out []peak.PullEnded
	keep := func(events []peak.Event) {
		for _, e := range events {
			if e, ok := e.(peak.PullEnded); ok {
				out = append(out, e)
			}
		}
	}
	for at := time.Duration(0); at < long; at += every {
		keep(m.Step(&peak.Reading{At: at, Force: peak.Force(math.Round(force(at) * 1000))}))
	}
	keep(m.Stop())
	if len(out) != 1 {
		t.Fatalf("%d pulls came of it, not 1", len(out))
	}
	return out[0]
}

func published(t *testing.T, path string) (out [][]float64) {
	t.Helper()
	for _, row := range table(t, path)[1:] {
		var numbers []float64
		for _, cell := range row {
			numbers = append(numbers, number(t, cell))
		}
		out = append(out, numbers)
	}
	return out
}

// A budget by hand: 100 kN, division 50 N, a zero that may shift 250 N, motion 50 N.
// Rectangular half-widths over the root of 3 (JCGM 100:2008, 4.3.7).
func TestBudgetByHand(t *testing.T) {
	set := dock3()
	b, ok := set.Beforehand(100*peak.Kilonewton, []peak.Verification{verified()})
	want := peak.Budget{
		Verification:  115_471, // 200 N / sqrt 3 = 115.470
		Reference:     50_000,  // 100 N / 2
		Repeatability: 86_603,  // 150 N / sqrt 3 = 86.6025
		Resolution:    20_413,  // 50 N / sqrt 6 = 20.4124
		ZeroShift:     144_338, // 250 N / sqrt 3 = 144.3376
		Noise:         14_434,  // 25 N / sqrt 3 = 14.4338
		Sampling:      28_868,  // 50 N / sqrt 3 = 28.8675
	}
	if !ok || b != want {
		t.Fatalf("budget %+v, %v\nwant   %+v", b, ok, want)
	}
	// sqrt of the sum of the squares, reckoned with real numbers.
	sum := 0.0
	for _, u := range []peak.Force{b.Verification, b.Reference, b.Repeatability, b.Resolution, b.ZeroShift, b.Noise, b.Sampling} {
		sum += float64(u) * float64(u)
	}
	if got, want := float64(b.Combined()), math.Sqrt(sum); math.Abs(got-want) > 1 {
		t.Errorf("combined %v, want %v", got, want)
	}
	if got, want := float64(b.Expanded()), 2*math.Sqrt(sum); math.Abs(got-want) > 1 {
		t.Errorf("expanded %v, want %v", got, want)
	}
	other := verified()
	other.Serial = "another"
	if _, ok := set.Beforehand(100*peak.Kilonewton, []peak.Verification{other}); ok {
		t.Error("the verification of another instrument gave a budget")
	}
	if _, ok := set.Beforehand(100*peak.Kilonewton, nil); ok {
		t.Error("no verification gave a budget")
	}
}

// Half a sine as a pull, sampled n times a cycle in 20 phases: the highest reading
// loses no more than the published figure, and what the budget allows for between
// two values covers what the peak lost.
func TestBudgetCoversWhatPassesBetweenSamples(t *testing.T) {
	const most = 100_000.0 // N
	for _, row := range published(t, "testdata/peak_error_sine.csv") {
		n, worst := row[0], row[1]/100
		if n < 16 || n > 200 {
			continue // below, the median of three leaves too little of a peak; above, half a day of readings
		}
		every := 20 * time.Millisecond
		cycle := n * every.Seconds()
		for phase := range 20 {
			shift := float64(phase) / 20 * every.Seconds()
			rise := 2 * time.Second
			e := play(t, dock3(), peak.Start{Verified: []peak.Verification{verified()}}, every, rise+time.Duration(cycle*float64(time.Second))+3*time.Second, func(at time.Duration) float64 {
				x := (at - rise).Seconds() + shift
				if x < 0 || x > cycle/2 {
					return 0
				}
				return most * math.Sin(2*math.Pi*x/cycle)
			})
			if lost := 1 - float64(e.Highest)/1000/most; lost > worst+1e-7 {
				t.Errorf("n = %v, phase %d: the highest reading lost %v, published at most %v", n, phase, lost, worst)
			}
			allowed := math.Sqrt(3) * float64(e.PeakBudget.Value.Sampling) / 1000
			if lost := most - float64(e.Peak.Value)/1000; lost > allowed {
				t.Errorf("n = %v, phase %d: the peak lost %v N, the budget allows for %v N", n, phase, lost, allowed)
			}
		}
	}
}

// At the published least rate a load that rises evenly and is let go at once shows
// its peak within q, and the budget says so.
func TestPeakAtTheLeastSamplingRate(t *testing.T) {
	for _, row := range published(t, "testdata/sampling_rate.csv") {
		rate, force, q, least := row[0]*1000, row[1]*1000, row[2]/100, row[3]
		every := time.Duration(float64(time.Second) / least)
		set := dock3()
		set.Capacity = 4 * peak.Meganewton
		set.Capture.StartAbove, set.Capture.EndBelow = peak.Force(force*50), peak.Force(force*4)
		set.Zero.TrackWithin = 0
		v := verified()
		v.To = set.Capacity
		e := play(t, set, peak.Start{Verified: []peak.Verification{v}}, every, time.Duration((force/rate+4)*float64(time.Second)), func(at time.Duration) float64 {
			up := rate * (at.Seconds() - 1)
			if up < 0 || up >= force {
				return 0
			}
			return up
		})
		step := math.Sqrt(3) * float64(e.PeakBudget.Value.Sampling) / 1000
		if lost := force - float64(e.Highest)/1000; lost > force*q*1.000001 {
			t.Errorf("%v: the highest reading lost %v N, more than q", row, lost)
		}
		if lost := force - float64(e.Peak.Value)/1000; lost > 2*step {
			t.Errorf("%v: the peak lost %v N, the expanded budget allows for %v N", row, lost, 2*step)
		}
	}
}

// Noise of a known size is found within a few per cent, and a slow fall of the
// force during the hold is not taken for noise.
func TestNoiseOfTheHold(t *testing.T) {
	chance := rand.New(rand.NewPCG(7, 11))
	const deviation = 30.0 // N
	set := dock3()
	set.Standing = peak.Known(peak.Requirement{Asked: 90 * peak.Kilonewton, Hold: 30 * time.Second})
	e := play(t, set, peak.Start{Verified: []peak.Verification{verified()}}, 20*time.Millisecond, 70*time.Second, func(at time.Duration) float64 {
		s := at.Seconds()
		switch {
		case s < 2 || s > 65:
			return 0
		case s < 4:
			return 50_000 * (s - 2)
		}
		return 100_000 - 20*(s-4) + deviation*chance.NormFloat64()
	})
	if got := float64(e.PeakBudget.Value.Noise) / 1000; math.Abs(got-deviation) > 0.06*deviation {
		t.Errorf("noise %v N, want about %v N", got, deviation)
	}
	if !e.HeldBudget.Known || e.Held.Value < 99_200*peak.Newton || e.Held.Value > 99_450*peak.Newton {
		t.Errorf("the force held for 30 s is %v, want about 99.4 kN less some noise", e.Held)
	}
}

// An indicator that makes a new value every 100 ms and is polled every 20 ms is found
// out, and one that has a new value for every poll too; a hold in between, of whatever
// length, changes nothing.
func TestUpdateRateIsFound(t *testing.T) {
	set := dock3()
	set.Standing = peak.Known(peak.Requirement{Asked: 99 * peak.Kilonewton, Hold: 5 * time.Second})
	for _, update := range []time.Duration{20 * time.Millisecond, 100 * time.Millisecond} {
		for _, hold := range []float64{0, 60} {
			e := play(t, set, peak.Start{}, 20*time.Millisecond, 100*time.Second, func(at time.Duration) float64 {
				at = at.Truncate(update)
				switch s := at.Seconds(); {
				case s < 2 || s > 22+hold:
					return 0
				case s < 12:
					return 10_000 * (s - 2)
				case s > 12+hold:
					return 10_000 * (22 + hold - s)
				}
				return 100_000
			})
			if !e.Update.Known || (e.Update.Value-update).Abs() > update/20 {
				t.Errorf("hold %v s: found %v, is %v", hold, e.Update, update)
			}
		}
	}
}
