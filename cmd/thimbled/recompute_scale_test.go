package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// scaleLab makes three pulls with a scale: two without a job, of which one is assigned
// later, and one of a job.
func scaleLab(t *testing.T, scale string) *lab {
	b := newLab(t, scale)
	b.stay(100)
	b.step(peak.SetZero{At: b.at, By: "lab"})
	b.step(peak.SetTare{At: b.at, By: "lab"})
	b.stay(100)
	shapes[0].pull(b, 102*peak.Kilonewton)
	b.stay(200)
	shapes[0].pull(b, 103*peak.Kilonewton)
	b.stay(200)
	b.job()
	b.assign(2)
	if b.d.loop.machine.State().Job.Known {
		b.step(peak.FinishJob{At: b.at, By: "lab"})
	}
	shapes[0].pull(b, 104*peak.Kilonewton)
	b.stay(200)
	return b
}

// request asks the daemon of the lab.
func (b *lab) request(ask func(context.Context, []byte) ([]byte, error), body string) error {
	b.t.Helper()
	b.d.loop.show()
	answered := make(chan error, 1)
	go func() {
		_, err := ask(context.Background(), []byte(body))
		answered <- err
	}()
	for {
		select {
		case a := <-b.d.loop.asks:
			b.d.loop.carryOut(a)
		case err := <-answered:
			return err
		}
	}
}

const (
	rightScale = "scale = 0.005\n"
	wrongScale = "scale = 0.0047\noffset = 0.3\n"
	rightCurve = "[load.scale]\ncoefficients = [0, 0.005]\n"
)

// TestCorrection makes pulls with a wrong scale, corrects them with the right one, and
// compares them with the same pulls made with the right scale from the start.
func TestCorrection(t *testing.T) {
	t.Parallel()
	for name, right := range map[string]string{"straight": rightScale, "curve": rightCurve} {
		t.Run(name, func(t *testing.T) {
			twin := scaleLab(t, right)
			twin.close()
			b := scaleLab(t, wrongScale)
			refusal(t, b.request(b.d.askCorrect, `{"by":"lab","pull":1,"why":"wrong"}`), publish.Conflict, "with this scale already")
			b.close()
			b.setConfig(right, 100)
			b.open()
			refusal(t, b.request(b.d.askCorrect, `{"by":"lab","pull":1}`), publish.BadRequest, "say why")
			refusal(t, b.request(b.d.askCorrect, `{"pull":1,"why":"wrong"}`), publish.BadRequest, "by")
			refusal(t, b.request(b.d.askCorrect, `{"by":"lab","pull":9,"why":"wrong"}`), publish.NotFound, "no pull 9")
			for pull := range 3 {
				b.must(b.request(b.d.askCorrect, fmt.Sprintf(`{"by":"lab","pull":%d,"why":"the scale of the old cell"}`, pull+1)))
			}
			refusal(t, b.request(b.d.askCorrect, `{"by":"lab","pull":1,"why":"again"}`), publish.Conflict, "corrected with this scale already")
			b.job()
			refusal(t, b.request(b.d.askAssign, `{"by":"lab","pull":1}`), publish.Conflict, "was corrected")
			b.close()
			checkCorrections(t, b, twin)
			r := b.auditAgain()
			if !r.sound() || r.again.corrections != 3 || len(r.again.unable) > 0 {
				t.Errorf("%+v %v", r.again, r.problems())
			}
		})
	}
}

func refusal(t *testing.T, err error, code int, says string) {
	t.Helper()
	var refused *publish.Refusal
	if !errors.As(err, &refused) || refused.Code != code || !strings.Contains(refused.Why, says) {
		t.Errorf("got %v, want a refusal with %q", err, says)
	}
}

// lastWords are what the pulls of a journal came to at last, and the corrections.
func lastWords(t *testing.T, dir string) (map[int64]peak.PullEnded, []peak.PullCorrected) {
	t.Helper()
	out := map[int64]peak.PullEnded{}
	var corrections []peak.PullCorrected
	for r, err := range journal.Records(dir) {
		if err != nil {
			t.Fatal(err)
		}
		e, err := publish.Decode(r.Event, sinceEpoch, publish.Traces{})
		if err != nil {
			continue
		}
		switch e := e.(type) {
		case peak.PullEnded:
			out[e.Pull] = e
		case peak.PullAssigned:
			out[e.Ended.Pull] = e.Ended
		case peak.PullCorrected:
			corrections = append(corrections, e)
		}
	}
	return out, corrections
}

// checkCorrections compares with the twin. What the two may differ by is the rounding of
// forces to a millinewton, and what tracking made of the zero between two pulls.
func checkCorrections(t *testing.T, b, twin *lab) {
	t.Helper()
	want, _ := lastWords(t, twin.dir)
	old, corrections := lastWords(t, b.dir)
	if len(corrections) != 3 {
		t.Fatalf("%d corrections", len(corrections))
	}
	for _, c := range corrections {
		w, was := want[c.New.Pull], old[c.New.Pull]
		if c.Old.Peak != was.Peak || c.Old.Verdict != was.Verdict || c.Old.Job != was.Job {
			t.Errorf("pull %d: the correction tells %+v as the old, it was %+v", c.New.Pull, c.Old, was)
		}
		near := func(name string, got, want peak.Force) {
			if off := (got - want).String(); got-want > 2*peak.Newton || want-got > 2*peak.Newton {
				t.Errorf("pull %d: %s %v, its twin has %v: %s off", c.New.Pull, name, got, want, off)
			}
		}
		near("peak", c.New.Peak.Value, w.Peak.Value)
		near("highest", c.New.Highest, w.Highest)
		near("zero", c.New.Zero, w.Zero)
		near("tare", c.New.Tare, w.Tare)
		near("zero before", c.New.ZeroBefore.Value, w.ZeroBefore.Value)
		near("zero after", c.New.ZeroAfter.Value, w.ZeroAfter.Value)
		near("held", c.New.Held.Value, w.Held.Value)
		if d := (c.New.Hold.For - w.Hold.For).Abs(); d > 50*time.Millisecond || c.New.Verdict != w.Verdict || c.New.Job != w.Job {
			t.Errorf("pull %d: hold %v, verdict %s; its twin %v, %s", c.New.Pull, c.New.Hold.For, c.New.Verdict, w.Hold.For, w.Verdict)
		}
		if was.Peak.Value > c.New.Peak.Value-5*peak.Kilonewton {
			t.Errorf("pull %d: the wrong scale gave %v, the right one %v", c.New.Pull, was.Peak.Value, c.New.Peak.Value)
		}
	}
}

// TestRescale lists what pulls would come to with another scale, and writes nothing.
func TestRescale(t *testing.T) {
	t.Parallel()
	b := scaleLab(t, wrongScale)
	b.close()
	twin := scaleLab(t, rightScale)
	twin.close()
	path := filepath.Join(t.TempDir(), "right.toml")
	if err := os.WriteFile(path, fmt.Appendf(nil, labConfig, rightScale, 100), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := (&auditFlags{again: recomputeFlags{wanted: true, rescale: true, config: path}}).audit(b.dir, nil)
	b.must(err)
	want, _ := lastWords(t, twin.dir)
	if !r.sound() || len(r.again.rescaled) != 3 {
		t.Fatalf("%+v %v", r.again, r.notes())
	}
	for _, p := range r.again.rescaled {
		w := want[p.old.Pull].Peak.Value
		if off := p.again.Peak.Value - w; off > 2*peak.Newton || off < -2*peak.Newton {
			t.Errorf("pull %d: %v, its twin %v", p.old.Pull, p.again.Peak, w)
		}
	}
	var out strings.Builder
	r.again.tell(&out)
	if !strings.Contains(out.String(), "pull 1: peak ") || strings.Count(out.String(), " -> ") != 9 {
		t.Error(out.String())
	}
	plain := newLab(t, "")
	plain.stay(100)
	shapes[0].pull(plain, 101*peak.Kilonewton)
	plain.stay(200)
	plain.close()
	r, err = (&auditFlags{again: recomputeFlags{wanted: true, rescale: true, config: path}}).audit(plain.dir, nil)
	plain.must(err)
	if len(r.again.rescaled) != 0 || !strings.Contains(fmt.Sprint(r.notes()), "no raw values") {
		t.Errorf("%v %v", r.again.rescaled, r.notes())
	}
}
