package main_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/page"
)

// stage serves a page that shows what a test puts on it.
type stage struct {
	page     *page.Page
	url      string
	snapshot atomic.Pointer[publish.Snapshot]
	start    time.Time
	records  shelf
}

// shelf is a journal that has the same records for ever.
type shelf []publish.Record

func (s shelf) Last() uint64 { return uint64(len(s)) }

func (s shelf) Next(ctx context.Context, after uint64) (publish.Record, error) {
	if after < s.Last() {
		return s[after], nil
	}
	<-ctx.Done()
	return publish.Record{}, ctx.Err()
}

func (s *stage) now() time.Duration { return time.Since(s.start) }

func openStage(t *testing.T, show peak.ForceUnit) *stage {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &stage{url: "http://" + l.Addr().String() + "/", start: time.Now(), records: stageRecords(t)}
	nothing := &publish.Refusal{Code: publish.Conflict, Why: "this is only a stage"}
	s.page, err = page.New(page.Options{
		Bench: "dock-3", Capacity: 250 * peak.Kilonewton, Show: show, Division: 50 * peak.Newton, PressureUnit: peak.UnitBar,
		Ranges: []peak.Range{{Name: "low", UpTo: 50 * peak.Kilonewton}, {Name: "high", UpTo: 250 * peak.Kilonewton}},
		Listen: l.Addr().String(), Snapshot: s.snapshot.Load, Now: s.now, Records: s.records,
		Trace: func(string) (io.ReadCloser, error) { return nil, nothing },
		Ask:   func(context.Context, string, []byte) ([]byte, error) { return nil, nothing },
		Certificate: func(context.Context, string, string) ([]byte, string, error) {
			return nil, "", nothing
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: s.page.Handler()}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 2)
	go func() { ended <- s.page.Run(ctx) }()
	go func() { ended <- server.Serve(l) }()
	t.Cleanup(func() {
		cancel()
		server.Close()
		for range 2 {
			if err := <-ended; err != nil && !errors.Is(err, http.ErrServerClosed) {
				t.Error(err)
			}
		}
	})
	return s
}

// stageRecords are a pull of each verdict and their tests.
func stageRecords(t *testing.T) (out shelf) {
	t.Helper()
	clock := publish.Clock{Epoch: time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)}
	add := func(e peak.Event) {
		event := publish.Encode(e, clock, nil)
		out = append(out, publish.Record{Event: event, Number: uint64(len(out) + 1)})
	}
	for i, v := range []peak.Verdict{peak.Pass, peak.Review, peak.Incomplete, peak.Void, peak.Exceeded, peak.Failed, peak.Unassigned} {
		job := stageJob
		job.ID, job.Item = fmt.Sprintf("j-%d", i+1), fmt.Sprintf("HL-%04d", i+1)
		at := time.Duration(i+1) * time.Minute
		ended := peak.PullEnded{
			Pull: int64(i + 1), StartedAt: at, EndedAt: peak.Known(at + 30*time.Second), Peak: peak.Known(102 * peak.Kilonewton),
			Requirement: peak.Known(job.Planned[0].Requirement), Hold: peak.Hold{For: 31 * time.Second}, Verdict: v, Job: job.ID,
			Reasons: []peak.Reason{peak.HoldNotReached, peak.GapInPull},
		}
		if v == peak.Unassigned {
			ended.Job, ended.Requirement = "", peak.Maybe[peak.Requirement]{}
			add(ended)
			continue
		}
		add(peak.JobOpened{At: at, Job: job, By: "A. Berg"})
		add(ended)
		add(peak.TestEnded{At: at, Job: job, Verdict: v, Attempts: []peak.Attempt{{Ended: ended}}})
	}
	addGrounds(add)
	add(peak.ItemInspected{At: time.Hour, Job: "j-6", Item: "HL-0006", Inspector: "B. Ek", Examined: "all", By: "B. Ek"})
	return out
}

// addGrounds adds what figures rest on: a pull with uncertainties and a ratio of force
// to pressure, one that was corrected, changes and a verification.
func addGrounds(add func(peak.Event)) {
	budget := peak.Known(peak.Budget{Verification: 240 * peak.Newton, Reference: 61 * peak.Newton, Resolution: 21 * peak.Newton})
	requirement := stageDemand
	requirement.Guard, requirement.Rule = 5000, peak.GuardedByUncertainty
	for i := range 4 {
		add(peak.PullEnded{
			Pull: int64(8 + i), StartedAt: 20 * time.Minute, EndedAt: peak.Known(21 * time.Minute), Requirement: peak.Known(requirement),
			Peak: peak.Known(102_600 * peak.Newton), Highest: 102_700 * peak.Newton, Held: peak.Known(101_400 * peak.Newton), PeakBudget: budget, HeldBudget: budget,
			Hold: peak.Hold{For: 61 * time.Second}, PressureAtPeak: peak.Known(50 * peak.Bar), PressureRatio: peak.Known(peak.Ratio(951_000 - 4000*i)), Verdict: peak.Pass,
		})
	}
	add(peak.PullCorrected{
		Old: peak.PullEnded{Pull: 10, Verdict: peak.Pass, Peak: peak.Known(102_600 * peak.Newton)},
		New: peak.PullEnded{Pull: 10, StartedAt: 20 * time.Minute, Verdict: peak.Incomplete, Requirement: peak.Known(requirement), Peak: peak.Known(99_800 * peak.Newton),
			PeakBudget: budget, Reasons: []peak.Reason{peak.HoldNotReached}},
		Scale: "2.01 x raw + 0 kN", Why: "the scale of the old cell was used", By: "C. Ny",
	})
	add(peak.ParametersChanged{At: time.Minute, By: "the start of the daemon", Changes: []peak.Change{
		{Name: "version", New: peak.Known("0.1.0")}, {Name: "zero.motion", New: peak.Known("50 N")},
	}})
	add(peak.ParametersChanged{At: 2 * time.Minute, By: "the start of the daemon", Count: 2, Changes: []peak.Change{
		{Name: "zero.motion", Old: peak.Known("50 N"), New: peak.Known("1000 N")}, {Name: "load.serial", Old: peak.Known("LC-1")},
	}})
}

var stageVerified = []peak.Verification{
	{Range: "low", Serial: "LC-1", From: 2 * peak.Kilonewton, To: 50 * peak.Kilonewton, Until: 300 * 24 * time.Hour, MaxError: 4_100, Repeatability: 900,
		ISOClass: "1", Standard: peak.Standard{Name: "reference cell RC-7, report 2026-114", Uncertainty: 1_200}, By: "C. Ny"},
	{Range: "high", Serial: "LC-1", From: 10 * peak.Kilonewton, To: 250 * peak.Kilonewton, On: -400 * 24 * time.Hour, Until: -35 * 24 * time.Hour, MaxError: 7_300,
		Repeatability: 2_100, Standard: peak.Standard{Name: "reference cell RC-7, report 2026-115", Uncertainty: 1_200}, By: "C. Ny"},
}

var stageSession = peak.Session{
	Range: "high", Standard: peak.Standard{Name: "reference cell RC-7, report 2026-115", Uncertainty: 1_200}, By: "C. Ny",
	Points: []peak.Point{
		{Run: 1, Applied: 50 * peak.Kilonewton, Indicated: 50_100 * peak.Newton}, {Run: 1, Applied: 100 * peak.Kilonewton, Indicated: 99_850 * peak.Newton},
		{Run: 1, Indicated: 50 * peak.Newton}, {Run: 2, Applied: 50 * peak.Kilonewton, Indicated: 50_150 * peak.Newton},
	},
}

var stageJob = peak.Job{
	ID: "j-9", Item: "HL-0042", Description: "12 mm, thimbles at both ends", Kind: "wire rope sling", WLL: peak.Known(50 * peak.Kilonewton),
	Length: peak.Known(12 * peak.Metre), Legs: 1, Owner: "Harbour loft", Operator: "A. Berg", Source: "2 x WLL",
	Planned: []peak.Planned{{Label: "end A", Requirement: stageDemand}, {Label: "end B", Requirement: stageDemand}},
}

var stageDemand = peak.Requirement{Asked: 100 * peak.Kilonewton, Limit: peak.Known(112 * peak.Kilonewton), Hold: 60 * time.Second}

var stageChecks = []publish.Check{
	{Name: "load", Title: "Load indicator", State: publish.InOrder, Figure: "read every 20 ms"},
	{Name: "zero", Title: "Zero", State: publish.NotInOrder, Figure: "0.15 kN", Why: "unload the bench and set zero"},
	{Name: "still", Title: "Force at rest", State: publish.Waiting, Why: "cannot be told before this is in order: Zero"},
	{Name: "clock", Title: "Clock", State: publish.Attention, Why: "not known to be synchronised"},
}

// look is what the stage shows, and the words that must be on the page then.
type look struct {
	name        string
	state       peak.State
	checks      []publish.Check
	word, force string
}

func looks() []look {
	open := peak.Known(peak.OpenTest{Job: stageJob, Next: peak.Known(0), Verdict: peak.Incomplete})
	turned := peak.Known(peak.OpenTest{
		Job: stageJob, Next: peak.Known(1), Verdict: peak.Incomplete,
		Made: []peak.Attempt{{Ended: peak.PullEnded{Pull: 8, Verdict: peak.Incomplete}}, {Ended: peak.PullEnded{Pull: 9, Verdict: peak.Pass}}},
	})
	pull := peak.State{
		InPull: true, Pull: 9, Peak: peak.Known(61 * peak.Kilonewton), Requirement: peak.Known(stageDemand), Job: open,
		Pressure: peak.Known(29 * peak.Bar),
	}
	at := func(s peak.State, phase peak.Phase, net peak.Force) peak.State {
		s.Phase, s.Net = phase, peak.Known(net)
		return s
	}
	holding := at(pull, peak.PhaseHolding, 102_450*peak.Newton)
	holding.Peak, holding.Hold, holding.HoldNow = peak.Known(102_600*peak.Newton), 23_400*time.Millisecond, 17_800*time.Millisecond
	above := at(pull, peak.PhaseHolding, 113*peak.Kilonewton)
	above.Peak = peak.Known(113 * peak.Kilonewton)
	all := []look{
		{"not ready", peak.State{Phase: peak.PhaseNotReady, Quality: peak.Timeout}, stageChecks, "Not ready", "no fresh reading: the load indicator does not answer"},
		{"at rest", at(peak.State{}, peak.PhaseAtRest, -30*peak.Newton), stageChecks, "At rest", "-0.03"},
		{"next", at(peak.State{Job: turned, Requirement: peak.Known(stageDemand)}, peak.PhaseAtRest, 0), stageChecks[:1], "At rest", "0.00"},
		{"pulling", at(pull, peak.PhasePulling, 61_005*peak.Newton), stageChecks[:1], "Pulling", "61.01"},
		{"holding", holding, stageChecks[:1], "Holding", "102.45"},
		{"above the limit", above, stageChecks[:1], "Above the limit", "113.00"},
		{"weighing", at(peak.State{Weighing: peak.Known(peak.Weighing{Item: "HL-0050", Lifts: 2, Lifted: true, Settled: peak.Known(40 * peak.Kilonewton)})},
			peak.PhaseWeighing, 40*peak.Kilonewton), stageChecks, "Weighing", "40.00"},
	}
	verifying := at(peak.State{Session: peak.Known(stageSession), Verified: stageVerified, Stable: true, Tare: 2 * peak.Kilonewton}, peak.PhasePulling, 98*peak.Kilonewton)
	flat := at(pull, peak.PhasePulling, 0)
	flat.Net, flat.Phase, flat.Quality = peak.Maybe[peak.Force]{}, peak.PhaseNotReady, peak.Stuck
	flat.Alarm = peak.Known(peak.AlarmRaised{Alarm: peak.ForceFlat, Why: "the pressure rose from 29.0 bar to 34.1 bar and the force stays at 61.00 kN"})
	lost := flat
	lost.Alarm, lost.Quality = peak.Known(peak.AlarmRaised{Alarm: peak.ForceLost, Why: "no good force reading under pressure: timeout"}), peak.Timeout
	all = append(all,
		look{"verifying", verifying, stageChecks[:1], "Verifying", "98.00"},
		look{"force flat", flat, stageChecks[:1], "Alarm", "force not trusted"},
		look{"force lost", lost, stageChecks[:1], "Alarm", "no force reading"})
	for _, v := range []peak.Verdict{peak.Pass, peak.Review, peak.Incomplete, peak.Void, peak.Exceeded, peak.Failed, peak.Unassigned} {
		s := at(peak.State{Pull: 9, Verdict: v, Peak: peak.Known(102_600 * peak.Newton)}, peak.PhaseAtRest, 0)
		all = append(all, look{"ended " + string(v), s, stageChecks[3:], "Ended: " + string(v), "0.00"})
	}
	return all
}

// play puts a look on the stage, fresh again and again until ctx ends.
func (s *stage) play(ctx context.Context, sc look) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for ctx.Err() == nil {
		now := s.now()
		shown := &publish.Snapshot{
			Bench: "dock-3", Version: "0.1.0", Clock: publish.Clock{Epoch: s.start}, State: sc.state, Checks: sc.checks,
			JournalRecords: s.records.Last(), Changes: 2,
		}
		shown.State.At, shown.State.TakenAt = now, now
		s.snapshot.Store(shown)
		s.page.Hear(shown, publish.Span{Min: sc.state.Net, Max: sc.state.Net}, now)
		<-tick.C
	}
}

// during plays a look while something is done.
func (s *stage) during(sc look, do func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { s.play(ctx, sc); close(ended) }()
	do()
	cancel()
	<-ended
}

// TestPageStates shows each state of the bench, in the light and the dark scheme, and
// checks its words and that every text on the screen has the contrast that WCAG 2.2 asks
// for at level AA, as the browser computes the colours.
func TestPageStates(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	s := openStage(t, peak.UnitKN)
	b.size(1280, 1000)
	b.open(s.url)
	b.run(`for (const d of document.querySelectorAll("details")) { d.removeAttribute("name"); d.open = true; }`, nil)
	for _, dark := range []string{"false", "true"} {
		for _, sc := range looks() {
			s.during(sc, func() {
				b.until("the scheme", func() bool {
					var pressed string
					b.run(`return document.querySelector("#scheme").getAttribute("aria-pressed")`, &pressed)
					if pressed != dark {
						b.click("#scheme")
					}
					return pressed == dark
				})
				b.until("the words of "+sc.name, func() bool { return b.text("#phase") == sc.word && b.text("#force") == sc.force })
				b.untilText("#pulls", "Unassigned pull 7")
				b.checkContrast(t, sc.name+", dark "+dark)
				if dark == "false" {
					b.shoot("look " + sc.name)
				}
			})
		}
	}
	s.checkReflow(t, b, looks()[2])
	for _, sc := range looks() {
		if sc.name == "verifying" || sc.name == "force flat" {
			s.checkReflow(t, b, sc)
		}
	}
	s.checkHung(t, b)
}

// checkReflow checks that nothing sticks out to the side at any width down to the 320
// pixels of WCAG 2.2, success criterion 1.4.10, and that what can be pressed is at least
// 24 pixels in each direction (2.5.8).
func (s *stage) checkReflow(t *testing.T, b *browser, look look) {
	t.Helper()
	long := stageJob
	long.Item = strings.Repeat("HL0042", 16)
	look.state.Job = peak.Known(peak.OpenTest{Job: long, Next: peak.Known(0)})
	look.checks = []publish.Check{{Name: "job", Title: "Job", State: publish.InOrder, Figure: long.Item}}
	s.during(look, func() {
		b.untilText("#job .item", long.Item)
		b.untilText("#checks", long.Item)
		for _, width := range []int{320, 390, 820, 1280, 1920} {
			b.size(width, 1000)
			var bad []string
			b.run(`const bad = [], wide = document.documentElement.clientWidth;
				for (const e of document.querySelectorAll("body *")) {
					if (!e.checkVisibility() || e.closest(".skip, .unseen, .signs")) continue;
					const r = e.getBoundingClientRect();
					if (r.right > wide + 1) bad.push("sticks out to " + r.right + ": " + e.outerHTML.slice(0, 120));
					if (e.matches("button, select, textarea, summary, input:not([type=radio])") && Math.min(r.width, r.height) < 24) bad.push("is small: " + e.outerHTML.slice(0, 120));
				}
				return bad;`, &bad)
			for _, fault := range bad {
				t.Errorf("at %d pixels: %s", width, fault)
			}
		}
	})
}

// checkHung lets the loop hang while the stream goes on: the number must go.
func (s *stage) checkHung(t *testing.T, b *browser) {
	t.Helper()
	s.during(looks()[1], func() { b.untilText("#force", "-0.03") })
	b.untilText("#force", "no fresh reading")
	b.untilText("#link", "connected")
	b.checkContrast(t, "hung")
}

// contrastScript returns what on the screen has too little contrast: ratio and threshold as
// of WCAG 2.2, success criteria 1.4.3 (text) and 1.4.11 (signs, edges of fields).
const contrastScript = `
const channel = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
const rgb = (text) => { const n = text.match(/[\d.]+/g).map(Number); return n.length > 3 && n[3] === 0 ? null : n.slice(0, 3); };
const ground = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c) return c; } return [255, 255, 255]; };
const bad = [], pairs = new Set();
const check = (what, fore, back, least) => {
  pairs.add(fore + "/" + back);
  if (ratio(fore, back) < least) bad.push(what + ": " + fore + " on " + back + " is " + ratio(fore, back).toFixed(2));
};
for (const e of document.querySelectorAll("body *")) {
  if (!e.checkVisibility({ visibilityProperty: true }) || e.closest("symbol")) continue;
  const style = getComputedStyle(e), name = e.tagName + "#" + e.id + "." + (e.getAttribute("class") ?? "") + " " + (e.textContent ?? "").trim().slice(0, 30);
  const size = parseFloat(style.fontSize), large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
  if ([...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim() !== "")) check(name, rgb(style.color), ground(e), large ? 3 : 4.5);
  if (e.matches(".sign")) check(name, rgb(style.color), ground(e.parentElement), 3);
  if (e.matches("input:not([type=radio]), select, textarea")) {
    check(name + " edge", rgb(style.borderTopColor), ground(e.parentElement), 3);
    check(name + " text", rgb(style.color), ground(e), 4.5);
    if (e.placeholder) check(name + " placeholder", rgb(getComputedStyle(e, "::placeholder").color), ground(e), 4.5);
  }
}
return [bad, pairs.size];`

func (b *browser) checkContrast(t *testing.T, when string) {
	t.Helper()
	var got []json.RawMessage
	b.run(contrastScript, &got)
	var bad []string
	var pairs int
	if err := errors.Join(json.Unmarshal(got[0], &bad), json.Unmarshal(got[1], &pairs)); err != nil {
		t.Fatal(err)
	}
	if pairs < 8 {
		t.Errorf("%s: only %d pairs of colours were looked at", when, pairs)
	}
	for _, fault := range slices.Compact(bad) {
		t.Errorf("%s: too little contrast: %s", when, fault)
	}
}

// TestPageWithKeyboard goes through the page with the keyboard alone: each control can be
// reached, shows that it has the focus, and has a name and a role for a screen reader.
func TestPageWithKeyboard(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	s := openStage(t, peak.UnitKN)
	b.open(s.url)
	s.during(looks()[2], func() {
		b.untilForce()
		b.untilText("#tests", "HL-0001")
		b.untilText("#job .item", "HL-0042")
		b.run(`for (const d of document.querySelectorAll("details")) { d.removeAttribute("name"); d.open = true; }`, nil)
		b.checkNames(t)
		b.checkTabs(t)
		b.run(`document.activeElement.blur(); document.querySelector(".skip").focus()`, nil)
		b.press(enterKey)
		b.until("the skip link to lead to the force", func() bool {
			var id string
			b.run(`return document.activeElement.id`, &id)
			return id == "force-panel"
		})
		b.run(`const s = document.querySelector("#find-work summary"); s.parentElement.open = false; s.focus();`, nil)
		b.press(enterKey)
		b.until("Enter to open what can be found", func() bool { return b.has("#find-work[open]") })
	})
}

const controls = `a[href], button, input, select, textarea, summary`

// checkNames asks the browser for the name that it gives to assistive technology.
func (b *browser) checkNames(t *testing.T) {
	t.Helper()
	var ids []map[string]string
	b.call("POST", "/elements", map[string]string{"using": "css selector", "value": controls + `, canvas, section`}, &ids)
	if len(ids) < 50 {
		t.Errorf("only %d controls were found", len(ids))
	}
	for _, element := range ids {
		for _, id := range element {
			var name, role, html string
			b.call("GET", "/element/"+id+"/computedlabel", nil, &name)
			b.call("GET", "/element/"+id+"/computedrole", nil, &role)
			if name == "" || role == "" || role == "none" || role == "generic" {
				b.run(`return arguments[0].checkVisibility() ? arguments[0].outerHTML.slice(0, 200) : ""`, &html, element)
				if html != "" {
					t.Errorf("a control has the name %q and the role %q: %s", name, role, html)
				}
			}
		}
	}
}

// checkTabs presses Tab until all visible controls have had the focus.
func (b *browser) checkTabs(t *testing.T) {
	t.Helper()
	var left []string
	b.run(`window.toReach = new Set([...document.querySelectorAll(arguments[0])].filter((e) => e.checkVisibility() && !e.matches("[type=radio]:not(:checked)")));
		document.activeElement.blur(); return []`, &left, controls)
	var all int
	b.run(`return window.toReach.size`, &all)
	for range all + 20 {
		b.press(tabKey)
		var plain string
		b.run(`const e = document.activeElement, s = getComputedStyle(e);
			window.toReach.delete(e);
			return e !== document.body && (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2) ? e.outerHTML.slice(0, 200) : ""`, &plain)
		if plain != "" {
			t.Errorf("the focus is not to be seen on %s", plain)
		}
	}
	b.run(`return [...window.toReach].map((e) => e.outerHTML.slice(0, 200))`, &left)
	// A group of radio buttons without a chosen one is one stop.
	left = slices.DeleteFunc(left, func(html string) bool { return strings.Contains(html, `type="radio"`) })
	if all < 40 || len(left) > 0 {
		t.Errorf("of %d controls the keyboard did not reach %d: %q", all, len(left), left)
	}
}

// TestPageFiguresAreExact compares the page's rounding with that of the rest of the program,
// which rounds exactly, in every unit of force.
func TestPageFiguresAreExact(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	chance := rand.New(rand.NewPCG(1, 2))
	for unit := peak.UnitN; unit <= peak.UnitLongTon; unit++ {
		decimals := unit.Decimals(50 * peak.Newton)
		forces := []peak.Force{0, 1, -1, 102_645 * peak.Newton, -102_645 * peak.Newton, 5 * peak.Newton, -4 * peak.Newton, 112 * peak.Kilonewton}
		for range 200 {
			forces = append(forces, peak.Force(chance.Int64N(500_000_000)-250_000_000))
		}
		var newtons []json.Number
		for _, f := range forces {
			newtons = append(newtons, json.Number(f.AppendNewtons(nil)))
		}
		s := openStage(t, unit)
		b.open(s.url)
		var got []string
		b.await(`const done = arguments[arguments.length - 1];
			Promise.all([import("/page/figures.js"), fetch("/setup").then((r) => r.json())]).then(([figures, setup]) => {
				figures.useUnits(setup);
				done(arguments[0].map(figures.forceText));
			});`, &got, newtons)
		for i, f := range forces {
			if want := unit.Show(f, decimals); got[i] != want {
				t.Errorf("%v is shown as %q on the page, as %q elsewhere", f, got[i], want)
			}
		}
	}
}
