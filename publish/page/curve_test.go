package page

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// plot is a curve as a browser reads it.
type plot struct {
	Now    float64 `json:"now_seconds"`
	Points [][4]*float64
}

func (d *double) plot(t *testing.T, path string) (p plot) {
	t.Helper()
	w := d.request("GET", path, "", nil)
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || w.Code != 200 {
		t.Fatalf("%s: %d %v: %s", path, w.Code, err, w.Body)
	}
	return p
}

// TestRecentCurve compares the running curve with a model that keeps every reading.
func TestRecentCurve(t *testing.T) {
	d := newDouble(t, nil)
	chance := rand.New(rand.NewPCG(5, 6))
	type slot struct{ min, max peak.Force }
	model := map[int64]*slot{}
	at := time.Duration(0)
	for range 20_000 {
		at += time.Duration(chance.Int64N(int64(30 * time.Millisecond)))
		net := peak.Force(chance.Int64N(250_000_000))
		d.hear(at, net, only(net))
		n := int64(at / recentStep)
		if model[n] == nil {
			model[n] = &slot{net, net}
		}
		model[n].min, model[n].max = min(model[n].min, net), max(model[n].max, net)
	}
	got := d.plot(t, "/curve")
	if math.Abs(got.Now-at.Seconds()) > 1e-9 || len(got.Points) < int(recentSlots)*9/10 || len(got.Points) > int(recentSlots) {
		t.Errorf("%d points at %v s, it is %v", len(got.Points), got.Now, at)
	}
	for _, p := range got.Points {
		n := int64(math.Round(*p[0] * 10))
		if n <= int64(at/recentStep)-recentSlots {
			t.Errorf("%v s is too old to be recent", *p[0])
		}
		want := model[n]
		if *p[1] != float64(want.min)/1000 || *p[2] != float64(want.max)/1000 || *p[3] != 300_000 {
			t.Errorf("at %v s: %v to %v N, %v Pa, want %v to %v", *p[0], *p[1], *p[2], *p[3], want.min, want.max)
		}
	}
}

func TestRecentCurveBreaks(t *testing.T) {
	d := newDouble(t, nil)
	d.hear(time.Second, 7*peak.Newton, publish.Span{Min: peak.Known(-peak.Newton), Max: peak.Known(9 * peak.Newton)})
	lost := &publish.Snapshot{State: peak.State{Quality: peak.Timeout}}
	d.Hear(lost, publish.Span{}, 1050*time.Millisecond) // beside a good reading it breaks nothing
	d.Hear(lost, publish.Span{}, 1150*time.Millisecond)
	d.now.Store(int64(2 * time.Second))
	w := d.request("GET", "/curve", "", nil)
	if want := `{"now_seconds":2,"points":[[1,-1,9,300000],[1.1,null,null,null]]}`; w.Body.String() != want {
		t.Errorf("the curve is %s, want %s", w.Body, want)
	}
	d.now.Store(int64(10 * time.Minute))
	if w := d.request("GET", "/curve", "", nil); w.Body.String() != `{"now_seconds":600,"points":[]}` {
		t.Errorf("ten minutes later the curve is %s", w.Body)
	}
}

// TestThinnedKeepsExtremes compares thinned curves of many lengths with the whole ones.
func TestThinnedKeepsExtremes(t *testing.T) {
	chance := rand.New(rand.NewPCG(7, 8))
	for _, n := range []int{0, 1, 2, thinnedPoints, thinnedPoints + 1, 50_000} {
		curve := newThinned()
		var at time.Duration
		low, high := peak.Force(math.MaxInt64), peak.Force(math.MinInt64)
		for range n {
			at += time.Duration(chance.Int64N(int64(40*time.Millisecond))) + time.Microsecond
			net := peak.Force(chance.Int64N(250_000_000)) - 1000
			low, high = min(low, net), max(high, net)
			curve.add(point{at: at, min: peak.Known(net), max: peak.Known(net)})
		}
		if len(curve.points) > thinnedPoints || n > thinnedPoints && len(curve.points) < thinnedPoints/3 {
			t.Errorf("%d readings became %d points", n, len(curve.points))
		}
		if n == 0 {
			continue
		}
		lowest := slices.MinFunc(curve.points, func(a, b point) int { return int(a.min.Value - b.min.Value) })
		highest := slices.MaxFunc(curve.points, func(a, b point) int { return int(a.max.Value - b.max.Value) })
		if lowest.min.Value != low || highest.max.Value != high {
			t.Errorf("%d readings from %v to %v became %v to %v", n, low, high, lowest.min.Value, highest.max.Value)
		}
	}
}

// TestCurvesOfTraces reads recorded traces and compares the extremes with those of a plain
// reading of their columns.
func TestCurvesOfTraces(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/traces/*.csv")
	if err != nil || len(paths) < 10 {
		t.Fatalf("%d traces, %v", len(paths), err)
	}
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		const offset = 250 * peak.Newton
		points, err := readCurve(strings.NewReader(string(text)), offset)
		if err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		want := math.Inf(-1)
		for _, row := range strings.Split(strings.TrimSpace(string(text)), "\n")[1:] {
			cells := strings.Split(strings.TrimSpace(row), ",")
			if x, err := strconv.ParseFloat(cells[1], 64); err == nil && cells[3] == "" {
				want = max(want, x)
			}
		}
		got := slices.MaxFunc(points, func(a, b point) int { return int(a.max.Value - b.max.Value) })
		if net := float64(got.max.Value+offset) / 1000; net != want {
			t.Errorf("%s: the highest is %v, the column says %v", path, net, want)
		}
	}
}

func TestCurveOfTrace(t *testing.T) {
	const text = "quality,more,force_N,elapsed_s,pressure_Pa\r\n,x,100,0,\r\n,x,101.5,0.02,4000\r\ntimeout,x,,0.04,\r\n,x,102,0.9,\r\n"
	points, err := readCurve(strings.NewReader(text), 2*peak.Newton)
	if err != nil {
		t.Fatal(err)
	}
	want := "[[0,98,98,null],[0.02,99.5,99.5,4000],[0.46,null,null,null],[0.9,100,100,null]]"
	if got := string(appendPoints(nil, points)); got != want {
		t.Errorf("the curve is %s, want %s", got, want)
	}
	for _, bad := range []string{"", "a,b\n1,2\n", "elapsed_s,force_N\nx,1\n", "elapsed_s,force_N\n1,NaN\n", "elapsed_s,force_N\n1,1e300\n", "elapsed_s,force_N\n1\n", "elapsed_s,force_N\n1,\"2\n"} {
		if _, err := readCurve(strings.NewReader(bad), 0); err == nil {
			t.Errorf("%q passes for a trace", bad)
		}
	}
}

func FuzzReadCurve(f *testing.F) {
	f.Add("elapsed_s,force_N,pressure_Pa,quality\n0,0,,\n0.05,1.5,100,\n0.1,,,timeout\n9,-3,,\n")
	f.Add("force_N,elapsed_s\r\n1e3,1e9\r\n")
	f.Add("elapsed_s,force_N\n\"1\",\"2\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		points, err := readCurve(strings.NewReader(text), peak.Newton)
		if err != nil {
			return
		}
		if len(points) > thinnedPoints {
			t.Errorf("%d points", len(points))
		}
		if !json.Valid(appendPoints(nil, points)) {
			t.Errorf("no JSON: %s", appendPoints(nil, points))
		}
	})
}
