package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
	"thimbled/publish"
	"thimbled/publish/journal"
)

// rewrite copies a journal with some records changed and the chain right again, as
// whoever may write it can.
func rewrite(t *testing.T, from string, change func(*publish.Record)) (to string) {
	t.Helper()
	to = t.TempDir()
	w, _, err := journal.Open(to, journal.Options{Bench: "dock-3", FS: swift{unsynced{journal.OS}}, MinFree: 1})
	if err != nil {
		t.Fatal(err)
	}
	for r, err := range journal.Records(from) {
		if err != nil {
			t.Fatal(err)
		}
		r.Data = bytes.Clone(r.Data)
		change(&r)
		if _, err := w.Append(r.Event); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(to, "traces"), os.DirFS(filepath.Join(from, "traces"))); err != nil {
		t.Fatal(err)
	}
	return to
}

// smallLab is a journal with one of each kind of record that is judged again.
func smallLab(t *testing.T) *lab {
	b := newLab(t, "")
	b.stay(200)
	b.verify(20*peak.Kilonewton, 250*peak.Kilonewton, time.Hour)
	shapes[0].pull(b, 102*peak.Kilonewton)
	b.stay(200)
	b.job()
	b.assign(1)
	for range 3 {
		b.job() // refused while one is open
		shapes[0].pull(b, 103*peak.Kilonewton)
		b.stay(200)
	}
	b.close()
	if r := b.auditAgain(); !r.sound() || r.again.tests == 0 || r.again.pulls != 4 {
		t.Fatalf("%+v %v", r.again, r.problems())
	}
	return b
}

var number = regexp.MustCompile(`^-?[0-9.]+$`)

// other is another value in place of a member.
func other(name string, v json.RawMessage) json.RawMessage {
	switch text := string(v); {
	case text == "null" && strings.HasSuffix(name, "_at"):
		return json.RawMessage(`"2026-11-01T07:00:00.000000000Z"`)
	case text == "null":
		return json.RawMessage("1")
	case number.MatchString(text):
		return json.RawMessage("1" + text)
	case text[0] == '[':
		return json.RawMessage(`["clock-made-up"]`)
	case strings.HasSuffix(text, `Z"`):
		return json.RawMessage(strings.Replace(text, `"2026-11-02`, `"2026-11-01`, 1))
	default:
		return json.RawMessage(`"other"`)
	}
}

// TestChangedFigureIsFound changes one member of one record at a time, chains the journal
// anew and expects the audit to name exactly that.
func TestChangedFigureIsFound(t *testing.T) {
	t.Parallel()
	b := smallLab(t)
	tried := 0
	for kind, given := range map[string][]string{
		// What is given, or tells pulls and jobs apart, has nothing to be compared with.
		peak.TypePullEnded:    {"pull", "job", "label", "trace", "peak_uncertainty", "held_uncertainty"},
		peak.TypePullAssigned: {"pull", "job", "label", "trace", "by", "planned_pull", "peak_uncertainty", "held_uncertainty"},
		peak.TypeHoldReached:  {"pull"},
	} {
		for _, name := range membersOf(t, b.dir, kind) {
			if slices.Contains(given, name) {
				continue
			}
			tried++
			record := uint64(0)
			dir := rewrite(t, b.dir, func(r *publish.Record) {
				if r.Type == kind && record == 0 {
					record = r.Number
					r.Data = changed(t, r.Data, name)
				}
			})
			r, err := (&auditFlags{again: recomputeFlags{wanted: true}}).audit(dir, nil)
			if err != nil {
				t.Fatal(err)
			}
			p := r.problems()
			if len(p) != 1 || p[0].Record != record || !strings.Contains(p[0].Reason, ": "+name+" is recorded as") || r.sound() {
				t.Errorf("%s of a %s, record %d: %v", name, kind, record, p)
			}
		}
	}
	if tried < 50 {
		t.Errorf("only %d members were tried", tried)
	}
}

// TestChangedMemberInsideIsFound changes what is inside a member, or decides about a pull
// without being a figure of it.
func TestChangedMemberInsideIsFound(t *testing.T) {
	t.Parallel()
	b := smallLab(t)
	for name, c := range map[string]struct{ kind, old, new, says string }{
		"a budget":        {peak.TypePullEnded, `"noise_newtons":`, `"noise_newtons":9`, "peak_uncertainty.noise_newtons is recorded as 9"},
		"an attempt":      {peak.TypeTestEnded, `"peak_newtons":10`, `"peak_newtons":20`, "attempts.1.peak_newtons is recorded as 20"},
		"a verdict":       {peak.TypeTestEnded, `"verdict":"pass"`, `"verdict":"review"`, `verdict is recorded as "review"`},
		"a job's demand":  {peak.TypeJobOpened, `"asked_newtons":100000`, `"asked_newtons":99000`, "required_newtons"},
		"a zero":          {peak.TypePullStarted, `"zero_newtons":`, `"zero_newtons":1`, "zero_newtons"},
		"a verification":  {peak.TypeForceVerified, `"largest_error_percent":0.31`, `"largest_error_percent":0.11`, "verification_newtons"},
		"a parameter":     {peak.TypeParametersChanged, `"zero.motion","old":null,"new":"\"100 N\""`, `"zero.motion","old":null,"new":"\"10 N\""`, "noise_newtons"},
		"no budget":       {peak.TypePullEnded, `"peak_uncertainty":{`, `"peak_uncertain":{`, "peak_uncertain is recorded"},
		"another's trace": {peak.TypePullAssigned, `"trace":{"name":"traces/0`, `"trace":{"name":"traces/1`, "not that of its end"},
	} {
		t.Run(name, func(t *testing.T) {
			hit := false
			dir := rewrite(t, b.dir, func(r *publish.Record) {
				if r.Type == c.kind && !hit {
					data := bytes.Replace(r.Data, []byte(c.old), []byte(c.new), 1)
					hit = !bytes.Equal(data, r.Data)
					r.Data = data
				}
			})
			r, err := (&auditFlags{again: recomputeFlags{wanted: true}}).audit(dir, nil)
			if err != nil {
				t.Fatal(err)
			}
			found := slices.ContainsFunc(r.problems(), func(d journal.Damage) bool { return strings.Contains(d.Reason, c.says) })
			if !hit || !found || r.sound() {
				t.Errorf("changed: %v; %v", hit, r.problems())
			}
		})
	}
}

func membersOf(t *testing.T, dir, kind string) []string {
	t.Helper()
	for r, err := range journal.Records(dir) {
		if err != nil {
			t.Fatal(err)
		}
		if r.Type == kind {
			return slices.Sorted(maps.Keys(members(t, r.Data)))
		}
	}
	t.Fatalf("no %s", kind)
	return nil
}

func members(t *testing.T, data json.RawMessage) map[string]json.RawMessage {
	t.Helper()
	m := map[string]json.RawMessage{}
	if err := json.Unmarshal(data, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func changed(t *testing.T, data json.RawMessage, name string) json.RawMessage {
	t.Helper()
	m := members(t, data)
	m[name] = other(name, m[name])
	out, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestSettingsThatAreNotOnRecord: a journal that does not say what pulls were judged by is
// judged with the config of the same digest, and with no other.
func TestSettingsThatAreNotOnRecord(t *testing.T) {
	t.Parallel()
	b := smallLab(t)
	dir := rewrite(t, b.dir, func(r *publish.Record) {
		if r.Type == peak.TypeParametersChanged {
			r.Event = publish.Encode(peak.InstrumentFound{Instrument: loadName}, sinceEpoch, nil)
		}
	})
	same, another := filepath.Join(t.TempDir(), "same.toml"), filepath.Join(t.TempDir(), "other.toml")
	text := strings.Replace(strings.Replace(labConfig, "%s", "", 1), "%d", "100", 1)
	for path, text := range map[string]string{same: text, another: text + "# changed\n"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for path, pulls := range map[string]int{"": 0, another: 0, same: 4} {
		r, err := (&auditFlags{again: recomputeFlags{wanted: true, config: path}}).audit(dir, nil)
		if err != nil {
			t.Fatal(err)
		}
		if r.again.pulls != pulls || r.sound() != (pulls > 0) || len(r.problems()) > 0 {
			t.Errorf("config %q: %d pulls, %v %v", path, r.again.pulls, r.notes(), r.problems())
		}
		if told := r.notes(); pulls == 0 && !slices.ContainsFunc(told, func(n journal.Note) bool { return strings.Contains(n.Text, b.config.Digest) }) {
			t.Errorf("no note names the digest: %v", told)
		}
	}
}
