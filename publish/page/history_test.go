package page

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

// recorded reads the events that other rooms are tested with.
func recorded(t *testing.T) (out shelf) {
	t.Helper()
	f, err := os.Open("../../testdata/events/all.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var e struct {
			Type string
			Time time.Time
			Data json.RawMessage
		}
		if err := json.Unmarshal(lines.Bytes(), &e); err != nil {
			t.Fatal(err)
		}
		out = append(out, publish.Record{Event: publish.Event{Type: e.Type, Time: e.Time, Data: e.Data}, Number: uint64(len(out) + 1)})
	}
	return out
}

// answered is the answer to /pulls as a browser reads it.
type answered struct {
	Pulls []struct {
		Record   uint64
		Item     string
		Assigned bool
		Data     struct {
			Pull    int64
			Verdict string
		}
	}
	Tests []struct {
		Data        struct{ Job, Item string }
		Inspections []struct {
			Data struct{ Finding, Inspector string }
		}
	}
	Weighings []struct {
		Data struct {
			Net float64 `json:"net_newtons"`
		}
	}
}

// known returns what the page knows of the journal.
func (d *double) known(t *testing.T) (a answered) {
	t.Helper()
	w := d.request("GET", "/pulls", "", nil)
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil || w.Code != 200 {
		t.Fatalf("%d %v: %s", w.Code, err, w.Body)
	}
	return a
}

// follow runs the page over a journal until it has read all of it.
func follow(t *testing.T, records shelf, then func(d *double)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, func(o *Options) { o.Records = records })
		ctx := t.Context()
		ended := make(chan error, 1)
		go func() { ended <- d.Run(ctx) }()
		synctest.Wait()
		then(d)
	})
}

func TestHistory(t *testing.T) {
	follow(t, recorded(t), func(d *double) {
		a := d.known(t)
		if len(a.Pulls) != 2 || len(a.Tests) != 1 || len(a.Weighings) != 1 || a.Weighings[0].Data.Net != 40_000 {
			t.Fatalf("known is %+v", a)
		}
		first, second := a.Pulls[0], a.Pulls[1]
		if first.Data.Pull != 7 || first.Data.Verdict != "review" || first.Item != "HL-0042" || first.Assigned {
			t.Errorf("the first pull is %+v", first)
		}
		// Pull 8 had no job, and was assigned to one afterwards.
		if second.Data.Pull != 8 || second.Data.Verdict != "pass" || second.Item != "HL-0042" || !second.Assigned {
			t.Errorf("the second pull is %+v", second)
		}
		if test := a.Tests[0]; test.Data.Item != "HL-0042" || len(test.Inspections) != 1 || test.Inspections[0].Data.Finding != "accepted" {
			t.Errorf("the test is %+v", test)
		}
		tag := d.request("GET", "/pulls", "", nil).Header().Get("ETag")
		if w := d.request("GET", "/pulls", "", func(r *http.Request) { r.Header.Set("If-None-Match", tag) }); w.Code != http.StatusNotModified {
			t.Errorf("asked again without a change: %d", w.Code)
		}
	})
}

// pull is a record of a pull that ended.
func pull(number int64) publish.Record {
	e := peak.PullEnded{Pull: number, Zero: 100 * peak.Newton, Tare: 20 * peak.Newton, Verdict: peak.Unassigned}
	name := fmt.Sprintf("traces/%012d.csv", number)
	event := publish.Encode(e, publish.Clock{}, publish.Traces{number: {Name: name, SHA256: fmt.Sprintf("%064x", number)}})
	return publish.Record{Event: event}
}

// TestHistoryIsBounded has a journal far longer than what is shown or looked back at.
func TestHistoryIsBounded(t *testing.T) {
	records := make(shelf, 0, 40_000)
	for i := range int64(40_000) {
		r := publish.Record{Event: publish.Event{Type: peak.TypeZeroSet, Data: json.RawMessage(`{}`)}}
		if i%20 == 0 {
			r = pull(i/20 + 1)
		}
		r.Number = uint64(i + 1)
		records = append(records, r)
	}
	follow(t, records, func(d *double) {
		a := d.known(t)
		if len(a.Pulls) != mostShown || a.Pulls[mostShown-1].Data.Pull != 2000 || a.Pulls[0].Data.Pull != 2000-mostShown+1 {
			t.Errorf("%d pulls are shown, from %+v", len(a.Pulls), a.Pulls[0])
		}
	})
}

func TestPullCurve(t *testing.T) {
	records := shelf{pull(1), pull(2)}
	records[0].Number, records[1].Number = 1, 2
	follow(t, records, func(d *double) {
		d.traces["traces/000000000001.csv"] = "elapsed_s,force_N,pressure_Pa,quality\n0,120,,\n0.02,1120,5,\n"
		w := d.request("GET", "/pulls/1/curve", "", nil)
		if want := `{"points":[[0,0,0,null],[0.02,1000,1000,5]]}`; w.Code != 200 || w.Body.String() != want {
			t.Errorf("the curve is %d %s, want %s", w.Code, w.Body, want)
		}
		tag := w.Header().Get("ETag")
		if again := d.request("GET", "/pulls/1/curve", "", func(r *http.Request) { r.Header.Set("If-None-Match", tag) }); again.Code != 304 {
			t.Errorf("asked again: %d", again.Code)
		}
		w = d.request("GET", "/pulls/2/curve", "", nil)
		checkRefusal(t, "a trace that is gone", w.Code, w.Body.Bytes(), 500, "no such trace")
		for path, why := range map[string]string{"/pulls/3/curve": "not one of the last", "/pulls/x/curve": "numbers", "/pulls/..%2F1/curve": "numbers"} {
			w := d.request("GET", path, "", nil)
			checkRefusal(t, path, w.Code, w.Body.Bytes(), 404, why)
		}
	})
}

// TestHistoryOfGrounds has a verification and changes far before what is looked back at,
// and a pull that was corrected.
func TestHistoryOfGrounds(t *testing.T) {
	records := make(shelf, 0, 2*lookBack)
	add := func(e peak.Event) {
		records = append(records, publish.Record{Event: publish.Encode(e, publish.Clock{}, nil), Number: uint64(len(records) + 1)})
	}
	changed := func(old peak.Maybe[string], count int64) peak.ParametersChanged {
		return peak.ParametersChanged{Changes: []peak.Change{{Name: "zero.motion", Old: old, New: peak.Known("50 N")}}, Count: count, By: "the start"}
	}
	add(changed(peak.Maybe[string]{}, 0))
	add(peak.ForceVerified{Verification: peak.Verification{Serial: "LC-1"}})
	for range lookBack {
		add(peak.ZeroSet{})
	}
	add(changed(peak.Known("20 N"), 1))
	add(peak.PullEnded{Pull: 7, Verdict: peak.Pass})
	add(peak.PullCorrected{Old: peak.PullEnded{Pull: 7, Verdict: peak.Pass}, New: peak.PullEnded{Pull: 7, Verdict: peak.Void}, Why: "wrong scale"})
	synctest.Test(t, func(t *testing.T) {
		d := newDouble(t, func(o *Options) { o.Records, o.Earlier = records, []uint64{lookBack + 3, 2, 1} })
		go func() { _ = d.Run(t.Context()) }()
		synctest.Wait()
		var got struct {
			Verifications []struct{ Data struct{ Serial string } }
			Changes       []struct {
				Data struct {
					Count int64 `json:"changes_so_far"`
				}
			}
			Pulls []struct {
				Data      struct{ Verdict string }
				Corrected struct {
					Data struct {
						Why       string
						Corrected struct{ Verdict string }
					}
				}
			}
		}
		if err := json.Unmarshal(d.request("GET", "/pulls", "", nil).Body.Bytes(), &got); err != nil {
			t.Fatal(err)
		}
		if len(got.Verifications) != 1 || got.Verifications[0].Data.Serial != "LC-1" {
			t.Errorf("verifications: %+v", got.Verifications)
		}
		if len(got.Changes) != 2 || got.Changes[0].Data.Count != 0 || got.Changes[1].Data.Count != 1 {
			t.Errorf("changes: %+v", got.Changes)
		}
		if len(got.Pulls) != 1 || got.Pulls[0].Data.Verdict != "pass" || got.Pulls[0].Corrected.Data.Corrected.Verdict != "void" {
			t.Errorf("pulls: %+v", got.Pulls)
		}
	})
}

// TestRiskOfPulls has pulls whose risks are figures of the normal distribution: one
// standard uncertainty inside of a limit 15.866 % are really beyond it, two 2.275 % (from memory).
func TestRiskOfPulls(t *testing.T) {
	budget := peak.Known(peak.Budget{Verification: 500 * peak.Newton})
	ended := peak.PullEnded{
		Pull: 1, Requirement: peak.Known(peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton)}),
		Peak: peak.Known(111 * peak.Kilonewton), Held: peak.Known(100_500 * peak.Newton), PeakBudget: budget, HeldBudget: budget,
	}
	ended.Verdict = peak.Pass
	void := ended
	void.Pull, void.Verdict = 3, peak.Void
	unknown := ended
	unknown.Pull, unknown.PeakBudget, unknown.HeldBudget = 2, peak.Maybe[peak.Budget]{}, peak.Maybe[peak.Budget]{}
	corrected := unknown
	corrected.PeakBudget, corrected.Peak = budget, peak.Known(111_500*peak.Newton)
	var records shelf
	for i, e := range []peak.Event{ended, unknown, peak.PullCorrected{Old: unknown, New: corrected}, void} {
		records = append(records, publish.Record{Event: publish.Encode(e, publish.Clock{}, nil), Number: uint64(i + 1)})
	}
	follow(t, records, func(d *double) {
		var got struct {
			Pulls []struct {
				Risk struct {
					Below *float64 `json:"below_asked_percent"`
					Above *float64 `json:"above_limit_percent"`
				} `json:"false_acceptance"`
			}
		}
		if err := json.Unmarshal(d.request("GET", "/pulls", "", nil).Body.Bytes(), &got); err != nil || len(got.Pulls) != 3 {
			t.Fatalf("%v: %+v", err, got)
		}
		near := func(x *float64, want float64) bool { return x != nil && math.Abs(*x-want) < 0.0005 }
		if r := got.Pulls[0].Risk; !near(r.Below, 15.866) || !near(r.Above, 2.275) {
			t.Errorf("the risks of the first pull are %v and %v", r.Below, r.Above)
		}
		if r := got.Pulls[1].Risk; r.Below != nil || !near(r.Above, 15.866) {
			t.Errorf("the risks of the corrected pull are %v and %v", r.Below, r.Above)
		}
		if r := got.Pulls[2].Risk; r.Below != nil || r.Above != nil {
			t.Error("a void pull was not accepted and has no such risk")
		}
	})
}

// TestHistoryOfLaterVersions passes over what it cannot read.
func TestHistoryOfLaterVersions(t *testing.T) {
	records := shelf{
		{Event: publish.Event{Type: peak.TypePullEnded, Data: json.RawMessage(`{"pull":"seven"}`)}, Number: 1},
		{Event: publish.Event{Type: "thimbled.something.new", Data: json.RawMessage(`[]`)}, Number: 2},
		pull(3),
	}
	records[2].Number = 3
	follow(t, records, func(d *double) {
		if a := d.known(t); len(a.Pulls) != 1 || a.Pulls[0].Data.Pull != 3 {
			t.Errorf("known is %+v", a)
		}
		if v := d.history.version(); !strings.HasSuffix(v, "-3") {
			t.Errorf("the version is %q", v)
		}
	})
}
