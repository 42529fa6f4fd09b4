package main_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	main "thimbled/cmd/thimbled"
)

// comparedConfig is the config of a bench that is compared with a reference: its load
// indicator is somebody else's Modbus server, so that the test sets the force.
const comparedConfig = `[bench]
id = "dock-3"
capacity = "250 kN"
division = "50 N"
show = "kN"

[[line]]
name = "gateway"
kind = "tcp"
address = %q

[load]
line = "gateway"
unit_id = 1
register = 40
type = "float32"
unit = "kN"
every = "20 ms"
timeout = "200 ms"
serial = "LC-1"

# A busy machine may not read for a while; here that must not matter.
[capture]
max_gap = "1 s"
end_after = "300 ms"

[zero]
settle = "300 ms"

[journal]
dir = %q

[nats]
listen = %q

[http]
listen = %q
`

// comparedBench is a daemon whose force the test sets.
type comparedBench struct {
	*pagedBench
	peer *peer
	nats string
}

func startCompared(t *testing.T) *comparedBench {
	t.Helper()
	dir := t.TempDir()
	b := &comparedBench{
		pagedBench: &pagedBench{config: filepath.Join(dir, "bench.toml"), journal: filepath.Join(dir, "journal"), web: reserve(t)},
		peer:       libmodbusTCP(t), nats: reserve(t),
	}
	b.indicate(t, 0)
	if err := os.WriteFile(b.config, fmt.Appendf(nil, comparedConfig, b.peer.place, b.journal, b.nats, b.web), 0o600); err != nil {
		t.Fatal(err)
	}
	b.daemon = start(t, "run", "--config", b.config)
	until(t, "the daemon to be healthy", func() bool { return healthy(b.web) })
	return b
}

// indicate lets the load indicator say a force.
func (b *comparedBench) indicate(t *testing.T, kilonewtons float64) {
	t.Helper()
	bits := math.Float32bits(float32(kilonewtons))
	b.peer.set(t, "input", 40, uint16(bits>>16), uint16(bits))
}

// seen is what the daemon says of the force: its size, whether it is stable, and when it
// was read.
func (b *comparedBench) seen(t *testing.T) (newtons float64, stable bool, at time.Time) {
	t.Helper()
	_, out, _ := call(t, "status", "--config", b.config, "--json")
	var s struct {
		Force   *float64  `json:"force_newtons"`
		TakenAt time.Time `json:"taken_at"`
		Stable  bool
	}
	if err := json.Unmarshal([]byte(out), &s); err != nil || s.Force == nil {
		return math.NaN(), false, time.Time{}
	}
	return *s.Force, s.Stable, s.TakenAt
}

// reach sets a force and waits until it has been steady for the settling time.
func (b *comparedBench) reach(t *testing.T, kilonewtons float64) {
	t.Helper()
	b.indicate(t, kilonewtons)
	var first time.Time
	until(t, fmt.Sprintf("%v kN to be steady", kilonewtons), func() bool {
		force, stable, at := b.seen(t)
		if math.Abs(force-1000*kilonewtons) > 25 || math.IsNaN(force) {
			return false
		}
		if first.IsZero() {
			first = at
		}
		return stable && at.Sub(first) > 350*time.Millisecond
	})
}

// compared are forces of a reference and what the indicator says, in kilonewtons: two
// sound runs over the upper range of the bench, 50 kN apart.
var compared = [][2]float64{{50, 50.1}, {100, 100.15}, {150, 150.1}, {200, 199.8}, {250, 249.6}}

// verb runs a verb of thimbled verify.
func (b *comparedBench) verb(t *testing.T, want int, says string, args ...string) string {
	t.Helper()
	return ask(t, b.config, want, says, append([]string{"verify"}, args...)...)
}

// takeRun takes the points of a run with its zero return.
func (b *comparedBench) takeRun(t *testing.T) {
	t.Helper()
	for _, p := range compared {
		b.reach(t, p[1])
		b.verb(t, 0, "", "point", "--applied", fmt.Sprintf("%v kN", p[0]))
	}
	b.reach(t, 0)
	b.verb(t, 0, "", "point", "--applied", "0 N")
}

// verified is what a test reads of a thimbled.force.verified event.
type verified struct {
	Serial        string
	From          float64   `json:"verified_from_newtons"`
	To            float64   `json:"verified_to_newtons"`
	On            time.Time `json:"verified_at"`
	Until         time.Time `json:"until_at"`
	Standard      string
	Uncertainty   float64 `json:"standard_uncertainty_percent"`
	MaxError      float64 `json:"largest_error_percent"`
	Repeatability float64 `json:"repeatability_percent"`
	By            string
	Report        string
	Points        []struct {
		Run       int
		Applied   float64 `json:"applied_newtons"`
		Indicated float64 `json:"indicated_newtons"`
	}
}

func (b *comparedBench) verifiedOf(t *testing.T) (out []verified) {
	t.Helper()
	for _, r := range b.recordsOf(t, "thimbled.force.verified") {
		var v verified
		if err := json.Unmarshal(r.Data, &v); err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

func TestVerificationCountsByCalendarMonths(t *testing.T) {
	for _, c := range []struct {
		from   string
		months int
		until  string
	}{
		{"2026-11-25", 12, "2027-11-25"}, {"2026-01-31", 1, "2026-02-28"}, {"2027-12-31", 2, "2028-02-29"},
		{"2028-02-29", 12, "2029-02-28"}, {"2026-08-31", 18, "2028-02-29"}, {"2026-12-01", 1, "2027-01-01"},
	} {
		from, err := time.ParseInLocation(time.DateOnly, c.from, time.Local)
		if err != nil {
			t.Fatal(err)
		}
		if got := main.UntilAfter(from.Add(14*time.Hour), c.months).Format(time.DateTime); got != c.until+" 23:59:59" {
			t.Errorf("%d months after %s is %s, want the end of %s", c.months, c.from, got, c.until)
		}
	}
}

// TestVerificationFromStartToFinish leads a verification with the command, through a stop
// of the daemon, and then pulls: within the verified range, with the uncertainty in the
// decision, and outside of it.
func TestVerificationFromStartToFinish(t *testing.T) {
	t.Parallel()
	b := startCompared(t)
	b.reach(t, 0)
	b.refuseBeforehand(t)
	b.recordElsewhere(t)
	b.verb(t, 0, `"standard_uncertainty_percent":0.12`, "start", "--standard", "reference cell RC-7", "--standard-uncertainty", "0.12 %")
	b.refuseDuring(t)
	b.takeRun(t)
	b.verb(t, 0, "ASTM E4, number of runs", "show")
	b.verb(t, 1, "not verified: ASTM E4, number of runs", "finish")
	b.reach(t, 50.1)
	b.verb(t, 0, "", "point", "--applied", "40 kN")
	b.verb(t, 1, "say why", "drop")
	b.verb(t, 0, `"why":"a slip of the pen"`, "drop", "--why", "a slip of the pen")
	b.daemon.stop(t)
	b.daemon = start(t, "run", "--config", b.config)
	until(t, "the daemon to be healthy", func() bool { return healthy(b.web) })
	b.takeRun(t)
	b.verb(t, 0, `"lacks":[]`, "show")
	b.verb(t, 2, "months", "finish", "--months", "19")
	until(t, "the verification to be finished", func() bool { // the last rise is a pull until its end was seen
		status, _, _ := call(t, "verify", "finish", "--config", b.config, "--by", "tester")
		return status == 0
	})
	b.checkVerified(t)
	b.verb(t, 1, "no verification is in hand", "finish")
	b.pullByUncertainty(t)
	b.pullOutside(t)
	b.daemon.stop(t)
	audit(t, b.journal, 0, "is sound")
}

// refuseBeforehand asks for what makes no sense before a verification.
func (b *comparedBench) refuseBeforehand(t *testing.T) {
	t.Helper()
	b.verb(t, 1, "no verification is in hand", "point", "--applied", "50 kN")
	b.verb(t, 1, "no verification is in hand", "cancel", "--why", "no time")
	b.verb(t, 2, "standard_uncertainty", "start", "--standard", "reference cell RC-7")
	b.verb(t, 1, "what the force is compared with", "start", "--standard-uncertainty", "0.12 %")
	b.verb(t, 1, "no range low", "start", "--range", "low", "--standard", "reference cell RC-7", "--standard-uncertainty", "0.12 %")
	ask(t, b.config, 1, "needs a verification in force", "job", "open", "--item", "HL-1", "--required", "100 kN", "--decision", "uncertainty")
	ask(t, b.config, 2, "no decision rule", "job", "open", "--item", "HL-1", "--required", "100 kN", "--decision", "fair")
	ask(t, b.config, 2, "how much", "job", "open", "--item", "HL-1", "--required", "100 kN", "--decision", "guard")
}

// recordElsewhere records a verification that was made yesterday with other means.
func (b *comparedBench) recordElsewhere(t *testing.T) {
	t.Helper()
	file := func(name, rows string) string {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, []byte(rows), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	run := "%[1]d,40000,40040\n%[1]d,80000,80000\n%[1]d,120000,120000\n%[1]d,160000,160000\n%[1]d,200000,200000\n%[1]d,0,0\n"
	head := "run,applied_N,indicated_N\n"
	sound := file("sound.csv", head+fmt.Sprintf(run, 1)+fmt.Sprintf(run, 2))
	short := file("short.csv", head+fmt.Sprintf(run, 1))
	broken := file("broken.csv", head+"1,40000,much\n")
	day := func(days int) string { return time.Now().AddDate(0, 0, days).Format(time.DateOnly) }
	record := func(want int, says, path, on string) {
		b.verb(t, want, says, "record", "--readings", path, "--on", on, "--standard", "proving ring 3", "--standard-uncertainty", "0.2 %")
	}
	record(2, "on which day", sound, "")
	record(2, "no day", sound, "yesterday")
	record(2, "has not come yet", sound, day(1))
	record(2, "was due by", sound, day(-400))
	record(2, "line 2", broken, day(-1))
	record(1, "ASTM E4, number of runs", short, day(-1))
	record(0, `"standard":"proving ring 3"`, sound, day(-1))
	record(1, "a later verification is on record", sound, day(-2))
	v := b.verifiedOf(t)[0]
	if v.From != 40_000 || v.To != 200_000 || v.MaxError != 0.1 || v.Repeatability != 0 || !strings.Contains(v.Report, "SHA-256 ") || len(v.Points) != 12 ||
		v.On.Local().Format(time.DateTime) != day(-1)+" 00:00:00" {
		t.Errorf("recorded as %+v", v)
	}
}

func (b *comparedBench) refuseDuring(t *testing.T) {
	t.Helper()
	b.verb(t, 1, "is in hand", "start", "--standard", "another", "--standard-uncertainty", "0.12 %")
	ask(t, b.config, 1, "verification is in hand", "job", "open", "--item", "HL-1", "--required", "100 kN")
	b.verb(t, 2, "applied", "point", "--applied", "50")
	b.verb(t, 1, "not verified", "finish")
}

// checkVerified compares what was recorded with what the indicator was let say.
func (b *comparedBench) checkVerified(t *testing.T) {
	t.Helper()
	all := b.verifiedOf(t)
	if len(all) != 2 || len(all[1].Points) != 2*len(compared)+2 || all[1].Report != "" {
		t.Fatalf("recorded as verified: %+v", all)
	}
	v := all[1]
	// The largest error is that of 50.1 kN at 50 kN, 0.2 %; both runs were alike but for
	// the last digit of a float32.
	if v.Serial != "LC-1" || v.From != 50_000 || v.To != 250_000 || math.Abs(v.MaxError-0.2) > 2e-3 || v.Repeatability > 2e-3 ||
		v.Standard != "reference cell RC-7" || v.Uncertainty != 0.12 || v.By != "tester" {
		t.Errorf("verified as %+v", v)
	}
	on := v.On.Local()
	if until := v.Until.Local(); until.Format(time.TimeOnly) != "23:59:59" || until.Year() != on.Year()+1 || until.Month() != on.Month() {
		t.Errorf("made at %v it counts until %v", on, until)
	}
	for i, p := range v.Points {
		k := i % (len(compared) + 1)
		applied, indicated := 0.0, 0.0
		if k < len(compared) {
			applied, indicated = 1000*compared[k][0], 1000*compared[k][1]
		}
		if p.Run != 1+i/(len(compared)+1) || p.Applied != applied || math.Abs(p.Indicated-indicated) > 0.1 {
			t.Errorf("point %d is %+v", i+1, p)
		}
	}
}

// hold holds a force for a while and lets go.
func (b *comparedBench) hold(t *testing.T, kilonewtons float64) pullEnd {
	t.Helper()
	before := len(endsOf(t, b.journal))
	b.reach(t, 0)
	b.reach(t, kilonewtons)
	time.Sleep(700 * time.Millisecond) // the hold that is asked for is 500 ms
	for part := 0.95; part > 0.01; part -= 0.05 {
		b.indicate(t, part*kilonewtons)
		time.Sleep(40 * time.Millisecond)
	}
	b.indicate(t, 0)
	until(t, "the pull to end", func() bool { return len(endsOf(t, b.journal)) > before })
	all := endsOf(t, b.journal)
	return all[len(all)-1]
}

// pullByUncertainty checks that the required force and the limit are moved by the
// uncertainty, and that peak and held force have one.
func (b *comparedBench) pullByUncertainty(t *testing.T) {
	t.Helper()
	out := ask(t, b.config, 0, `"decision_rule":"uncertainty"`, "job", "open", "--item", "HL-1", "--required", "100 kN", "--limit", "112 kN", "--hold", "500 ms", "--decision", "uncertainty")
	var job struct {
		Planned []struct {
			Required   float64 `json:"required_newtons"`
			Asked      float64 `json:"asked_newtons"`
			Limit      float64 `json:"limit_newtons"`
			LimitGuard float64 `json:"limit_guard_newtons"`
		}
	}
	if err := json.Unmarshal([]byte(out), &job); err != nil {
		t.Fatal(err)
	}
	// At 100 kN the error of 0.2 % alone gives 2 x 0.2 % x 100 kN / sqrt 3 = 231 N, the
	// reference 120 N (JCGM 100:2008, 4.3.7); the limit's is larger by as much as its force.
	p := job.Planned[0]
	if u := p.Required - p.Asked; p.Asked != 100_000 || u < 260 || u > 600 || p.Limit != 112_000-p.LimitGuard || p.LimitGuard <= u || p.LimitGuard > 1.2*u {
		t.Errorf("planned as %+v", p)
	}
	if e := b.hold(t, 102); e.Verdict != "pass" {
		t.Errorf("within the verified range the pull ended as %+v", e)
	}
	records := b.recordsOf(t, "thimbled.pull.ended")
	var e struct {
		Peak, Held struct {
			Expanded float64 `json:"expanded_newtons"`
		}
	}
	text := strings.NewReplacer("peak_uncertainty", "peak", "held_uncertainty", "held").Replace(string(records[len(records)-1].Data))
	if err := json.Unmarshal([]byte(text), &e); err != nil || e.Peak.Expanded < 260 || e.Held.Expanded < 260 {
		t.Errorf("%v: the uncertainties of the pull are %+v", err, e)
	}
}

// pullOutside checks that a pull below the verified range is void.
func (b *comparedBench) pullOutside(t *testing.T) {
	t.Helper()
	ask(t, b.config, 1, "the one on record is for", "job", "open", "--item", "HL-2", "--required", "20 kN", "--decision", "uncertainty")
	ask(t, b.config, 0, "", "job", "open", "--item", "HL-2", "--required", "20 kN", "--hold", "500 ms")
	if e := b.hold(t, 21); e.Verdict != "void" || strings.Join(e.Reasons, " ") != "outside-verified-range" {
		t.Errorf("below the verified range the pull ended as %+v", e)
	}
}
