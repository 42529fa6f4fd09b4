package publish_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
)

var update = flag.Bool("update", false, "write the golden files anew")

var clock = publish.Clock{Epoch: time.Date(2026, 3, 1, 8, 0, 0, 0, time.FixedZone("", 3600))}

// allEvents is one event of each type, with every part set.
func allEvents() []peak.Event {
	requirement := peak.Known(peak.Requirement{
		Asked: 100 * peak.Kilonewton, Guard: peak.Percent, Limit: peak.Known(112 * peak.Kilonewton), Hold: 30 * time.Second,
	})
	job := peak.Job{
		ID: "j-17", Item: "HL-0042", Description: `wire rope sling "A" <2 m>`, Kind: "wire rope sling",
		WLL: peak.Known(50 * peak.Kilonewton), Length: peak.Known(12500 * peak.Millimetre), Legs: 1, Owner: "Harbour loft",
		Operator: "Anna Ö.", Rule: "ilo_loose", Source: "2 x WLL", Ambient: "9 °C, dry",
		Planned: []peak.Planned{{Label: "end A", Requirement: requirement.Value}, {Label: "end B", Requirement: requirement.Value}},
	}
	s := func(x float64) time.Duration { return time.Duration(x * float64(time.Second)) }
	pull7 := peak.PullEnded{
		Pull: 7, StartedAt: s(10.02), EndedAt: peak.Known(s(60)), DecidedAt: s(61.5), Peak: peak.Known[peak.Force](102_012_500),
		PeakAt: s(20), Highest: 102_050_000, Requirement: requirement,
		Hold:       peak.Hold{For: s(31.02), From: peak.Known(s(15)), To: peak.Known(s(46.02))},
		LongestGap: s(0.2), PressureAtPeak: peak.Known[peak.Pressure](4_655_000), ZeroBefore: peak.Known(-3 * peak.Newton),
		ZeroAfter: peak.Known(9 * peak.Newton), Zero: -12_345, Tare: 2000 * peak.Newton, Verdict: peak.Review,
		Reasons: []peak.Reason{peak.GapInPull}, Job: "j-17", Label: "end A",
	}
	pull7.Held = peak.Known[peak.Force](101_950_000)
	pull7.PeakBudget = peak.Known(peak.Budget{
		Verification: 118_000, Reference: 51_000, Repeatability: 60_000, Resolution: 20_413, ZeroShift: 6929, Noise: 9000, Sampling: 28_868,
	})
	pull7.HeldBudget = peak.Known(peak.Budget{Verification: 117_000, Resolution: 20_413})
	pull7.PressureRatio = peak.Known[peak.Ratio](958_700)
	pull7.Update = peak.Known(40 * time.Millisecond)
	verified := peak.Verification{
		Range: "high", Serial: "LC-250-17", Scale: "0.5 -2", Constant: peak.Known[int64](7), From: 10 * peak.Kilonewton,
		To: 250 * peak.Kilonewton, On: s(110), Until: s(31_536_000), Standard: peak.Standard{Name: "reference cell R-1", Uncertainty: 1000},
		MaxError: 2040, Repeatability: 3009, ISOClass: "0.5", By: "B. Ek", Report: "dock-3-v-40",
	}
	point := peak.Point{Run: 2, Applied: 100 * peak.Kilonewton, Indicated: 100_012_500, Spread: 50 * peak.Newton, At: s(101)}
	guarded := requirement.Value
	guarded.Rule, guarded.LimitGuard = peak.GuardedByUncertainty, 400*peak.Newton
	pull9 := pull7
	pull9.Requirement = peak.Known(guarded)
	pull8 := pull7
	pull8.Pull, pull8.Verdict, pull8.Reasons, pull8.LongestGap, pull8.Label = 8, peak.Pass, nil, 0, "end B"
	return []peak.Event{
		peak.DaemonStarted{At: 0, Version: "0.1.0", ConfigDigest: "ab12", CleanBefore: true},
		peak.JobOpened{At: s(1), Job: job, By: "Anna Ö."},
		peak.ZeroSet{At: s(2), Old: 0, New: -12_345, By: "tracking"},
		peak.TareSet{At: s(3), Old: 0, New: 2000 * peak.Newton, By: "Anna Ö."},
		peak.PullStarted{
			Pull: 7, StartedAt: s(10.02), ZeroBefore: peak.Known(-3 * peak.Newton), Zero: -12_345,
			Tare: 2000 * peak.Newton, Requirement: requirement, Job: "j-17", Label: "end A",
		},
		peak.HoldReached{Pull: 7, ReachedAt: s(45.5), Hold: 30 * time.Second},
		pull7,
		peak.PullEnded{Pull: 8, StartedAt: s(70), DecidedAt: s(71), Verdict: peak.Unassigned},
		peak.PullRepeated{At: s(72), Job: "j-17", Planned: 1, Label: "end B", Why: "the hook slipped", By: "Anna Ö."},
		peak.PullAssigned{At: s(73), Planned: 1, Label: "end B", Ended: pull8, By: "Anna Ö."},
		peak.TestEnded{
			At: s(80), Job: job, Verdict: peak.Review, Reasons: []peak.Reason{peak.GapInPull},
			Attempts: []peak.Attempt{{Planned: 0, Ended: pull7}, {Planned: 1, Ended: pull8, Why: "the hook slipped"}},
		},
		peak.ItemInspected{
			At: s(85), Job: "j-17", Item: "HL-0042", Inspector: "B. Ek", Accepted: true, Examined: "wires, splices, ferrules",
			Notes: "no finding", By: "B. Ek",
		},
		peak.JobCancelled{At: s(86), Job: "j-18", Why: "wrong item", By: "Anna Ö."},
		peak.WeighingStarted{At: s(87), Item: "HL-0050", By: "Anna Ö."},
		peak.ItemWeighed{
			At: s(88), Lift: 1, Item: "HL-0050", Gross: 42_000 * peak.Newton, Tare: 2000 * peak.Newton, Net: 40_000 * peak.Newton,
			Spread: 50 * peak.Newton, StableFrom: s(87.2), StableFor: s(0.5),
		},
		peak.WeighingStopped{At: s(89), Lifts: 1, By: "Anna Ö."},
		peak.InstrumentLost{At: s(90), Instrument: "load", Why: "no answer within 100 ms", Since: s(89)},
		peak.InstrumentFound{At: s(95), Instrument: "load", Since: s(90)},
		peak.CommandRefused{At: s(96), Command: "zero", Why: "the force is not stable"},
		peak.VerificationStarted{At: s(100), Range: "high", Standard: verified.Standard, By: "B. Ek"},
		peak.PointTaken{Point: point, By: "B. Ek"},
		peak.PointDropped{At: s(102), Point: point, Why: "read wrongly", By: "B. Ek"},
		peak.VerificationCancelled{At: s(103), Why: "the reference broke down", By: "B. Ek"},
		peak.ForceVerified{At: s(110), Verification: verified, Points: []peak.Point{point}},
		peak.ClockStepped{At: s(111), By: -s(3600)},
		peak.ParametersChanged{
			At: s(112), Changes: []peak.Change{{Name: "load.scale", Old: peak.Known("1"), New: peak.Known("0.5 -2")}, {Name: "version", New: peak.Known("0.2.0")}},
			Count: 4, By: "daemon start",
		},
		peak.PullCorrected{At: s(113), Old: pull7, New: pull9, Scale: "0.5 -2", Why: "the indicator was set to counts", By: "B. Ek"},
		peak.AlarmRaised{At: s(114.3), Alarm: peak.ForceFlat, Why: "the force reads 0.00 kN at 28.5 bar, which must give more", Since: s(114)},
		peak.AlarmCleared{At: s(120), Alarm: peak.ForceFlat, Since: s(114.3)},
		peak.DaemonStopped{At: s(99), Clean: true, Why: "asked to stop"},
		peak.JournalSealed{
			At: s(114), Size: 28, Root: "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=",
			Checkpoint: "thimbled/bench/dock-3\n28\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n— thimbled/bench/dock-3 AAAA\n",
			Key:        "thimbled/bench/dock-3+00000000+AQ==", Why: "stopped",
		},
		peak.BrokerRepaired{At: s(115), LostFrom: 12, LostTo: 31, Restored: 20, Why: "the broker's store lost records"},
		peak.JournalDamaged{At: s(116), File: "000000000001.jsonl", Line: 3, Offset: 1204, Record: 3, Reason: "does not agree with its line hash"},
		peak.TraceRemoved{At: s(117), Pull: 7, Name: "traces/000000000005.csv", SHA256: strings.Repeat("0a", 32), Why: "older than 10 years"},
		peak.BrokerRepaired{At: s(116), Why: "the broker's store was damaged"},
	}
}

var traces = publish.Traces{7: {Name: "traces/000000000005.csv", SHA256: strings.Repeat("0a", 32)}}

// TestDecode checks that what is rebuilt from an event encodes to the same event.
func TestDecode(t *testing.T) {
	decoded := 0
	for _, e := range allEvents() {
		want := publish.Encode(e, clock, traces)
		found := publish.Traces{}
		back, err := publish.Decode(want, clock, found)
		if errors.Is(err, publish.ErrNotDecoded) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		decoded++
		if got := publish.Encode(back, clock, found); string(got.Data) != string(want.Data) || got.Type != want.Type {
			t.Errorf("%s comes back as\n%s\nwas\n%s", e.Type(), got.Data, want.Data)
		}
	}
	if decoded != 22 {
		t.Errorf("%d events are rebuilt, not 22", decoded)
	}
}

func lines(t *testing.T) []byte {
	t.Helper()
	var out []byte
	for i, e := range allEvents() {
		out = publish.AppendEnvelope(out, "dock-3", uint64(i+1), publish.Encode(e, clock, traces))
		out = append(out, "}\n"...)
	}
	return out
}

func golden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; got:\n%s", path, got)
	}
}

func TestEventsGolden(t *testing.T) { golden(t, "../testdata/events/all.jsonl", lines(t)) }

// TestCloudEvents checks the rules of CloudEvents 1.0 for attributes (required ones, their
// names, RFC 3339 time) and ours for data keys: a quantity names its unit.
func TestCloudEvents(t *testing.T) {
	name := regexp.MustCompile(`^[a-z0-9]{1,20}$`)
	seen := map[string]bool{}
	for line := range bytes.Lines(lines(t)) {
		var e map[string]any
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		for _, required := range []string{"id", "source", "specversion", "type"} {
			if s, ok := e[required].(string); !ok || s == "" {
				t.Errorf("no %s in %s", required, line)
			}
		}
		for key := range e {
			if !name.MatchString(key) {
				t.Errorf("attribute name %q", key)
			}
		}
		if e["specversion"] != "1.0" || seen[e["id"].(string)] {
			t.Errorf("version or id of %s", line)
		}
		seen[e["id"].(string)] = true
		if _, err := time.Parse(time.RFC3339Nano, e["time"].(string)); err != nil {
			t.Error(err)
		}
		checkKeys(t, e["data"].(map[string]any))
	}
}

// unitless are the keys whose values are counts, not quantities.
var unitless = map[string]bool{
	"pull": true, "legs": true, "lift": true, "lifts": true, "planned_pull": true, "run": true, "constant": true, "changes_so_far": true, "size": true,
	"lost_from": true, "lost_to": true, "records_restored": true,
	"line": true, "byte": true, "record": true,
}

func checkKeys(t *testing.T, data map[string]any) {
	t.Helper()
	unit := regexp.MustCompile(`_(newtons|pascals|seconds|metres|percent)$`)
	for key, value := range data {
		_, isNumber := value.(float64)
		if isNumber && !unitless[key] && !unit.MatchString(key) {
			t.Errorf("key %q has a number and no unit", key)
		}
		if s, ok := value.(string); ok && strings.HasSuffix(key, "_at") && !strings.HasSuffix(s, "Z") {
			t.Errorf("key %q is %q, not UTC", key, s)
		}
	}
}

func snapshot() *publish.Snapshot {
	return &publish.Snapshot{
		Bench: "dock-3", Version: "0.1.0", Clock: clock,
		State: peak.State{
			At: 5 * time.Second, TakenAt: 5 * time.Second, Quality: peak.Good, Phase: peak.PhaseHolding,
			Net: peak.Known[peak.Force](101_050_000), Pressure: peak.Known[peak.Pressure](4_600_000), Zero: 1500, Pull: 3, InPull: true,
			Peak: peak.Known[peak.Force](102_000_000), Hold: 2 * time.Second, HoldNow: 2 * time.Second,
			Requirement: peak.Known(peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton)}),
		},
		Instruments: []publish.Instrument{
			{Name: "load", LastGood: peak.Known(5 * time.Second)},
			{Name: "pressure", Quality: peak.Timeout, Lost: true, Why: "no answer"},
		},
		Checks: []publish.Check{
			{Name: "load", Title: "Load indicator", State: publish.InOrder, Figure: "101.05 kN"},
			{Name: "pressure", Title: "Pressure transducer", State: publish.NotInOrder, Why: "no answer; look at its cable"},
		},
		JournalRecords: 12, Changes: 3,
	}
}

// verifying puts a verification in force, one in hand and an alarm on a snapshot.
func verifying(s *publish.Snapshot) *publish.Snapshot {
	standard := peak.Standard{Name: "reference cell RC-7", Uncertainty: 1_200}
	s.State.Verified = []peak.Verification{{
		Serial: "LC-1", Constant: peak.Known[int64](7), From: 10 * peak.Kilonewton, To: 250 * peak.Kilonewton, Until: 24 * time.Hour,
		Standard: standard, MaxError: 4_100, Repeatability: 900, ISOClass: "1", By: "C. Ny",
	}}
	s.State.Alarm = peak.Known(peak.AlarmRaised{At: 4900 * time.Millisecond, Alarm: peak.ForceFlat, Why: "the force stays", Since: 4600 * time.Millisecond})
	s.State.Session = peak.Known(peak.Session{Standard: standard, By: "C. Ny", Points: []peak.Point{
		{Run: 1, Applied: 50 * peak.Kilonewton, Indicated: 50_100 * peak.Newton, Spread: 50 * peak.Newton, At: 4 * time.Second},
	}})
	return s
}

func TestLiveGolden(t *testing.T) {
	span := publish.Span{Min: peak.Known[peak.Force](101_000_000), Max: peak.Known[peak.Force](101_500_000)}
	bad := snapshot()
	bad.State.Quality, bad.State.Net, bad.State.Phase = peak.Timeout, peak.Maybe[peak.Force]{}, peak.PhaseNotReady
	var out []byte
	for _, data := range []json.RawMessage{
		publish.EncodeReading(snapshot(), span, 5020*time.Millisecond),
		publish.EncodeReading(bad, publish.Span{}, 7*time.Second),
		publish.EncodeState(snapshot(), 5020*time.Millisecond),
		publish.EncodeState(verifying(snapshot()), 5020*time.Millisecond),
	} {
		out = append(append(out, data...), '\n')
	}
	golden(t, "../testdata/events/live.jsonl", out)
}
