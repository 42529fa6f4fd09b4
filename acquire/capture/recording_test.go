package capture

import (
	"reflect"
	"strings"
	"testing"
	"time"
)

const sample = `# line rs485
# started 2031-05-06T07:08:09.000000001Z
0.000000 tx 010400000002713f
# a remark
0.021034567 rx 010404

0.021500 rx 447A0000ff2a
`

func TestParse(t *testing.T) {
	got, err := Parse(strings.NewReader(sample))
	if err != nil {
		t.Fatal(err)
	}
	want := Recording{
		Name:    "rs485",
		Started: time.Date(2031, 5, 6, 7, 8, 9, 1, time.UTC),
		Events: []Event{
			{0, Sent, []byte{1, 4, 0, 0, 0, 2, 0x71, 0x3F}, 3},
			{21034567 * time.Nanosecond, Received, []byte{1, 4, 4}, 5},
			{21500 * time.Microsecond, Received, []byte{0x44, 0x7A, 0, 0, 0xFF, 0x2A}, 7},
		},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	if crlf, err := Parse(strings.NewReader(strings.ReplaceAll(sample, "\n", "\r\n"))); err != nil || !reflect.DeepEqual(crlf, want) {
		t.Errorf("with CR LF: %+v, %v", crlf, err)
	}
}

func TestParseRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"0.000000 tx 01\n0.000000 xx 01\n": "line 2: direction is neither rx nor tx",
		"0.000000 tx\n":                    "line 1: want elapsed seconds, rx or tx, and",
		"0.000000  tx 01\n":                "line 1: want elapsed seconds, rx or tx, and",
		"0.000000 tx 01 02\n":              "line 1: want elapsed seconds, rx or tx, and",
		"0.000000 tx 0\n":                  "line 1: want 1 to 512 bytes",
		"0.000000 tx 0g\n":                 "line 1: want 1 to 512 bytes",
		"0.000000 tx \n":                   "line 1: want 1 to 512 bytes",
		"0.000000 tx " + strings.Repeat("00", 513) + "\n": "line 1: want 1 to 512 bytes",
		"0.00000 tx 01\n":                        "line 1: want elapsed seconds with",
		"0.0000000000 tx 01\n":                   "line 1: want elapsed seconds with",
		"-1.000000 tx 01\n":                      "line 1: want elapsed seconds with",
		"+1.000000 tx 01\n":                      "line 1: want elapsed seconds with",
		".000000 tx 01\n":                        "line 1: want elapsed seconds with",
		"1e3.000000 tx 01\n":                     "line 1: want elapsed seconds with",
		"99999999999.000000 tx 01\n":             "line 1: want elapsed seconds with",
		"1.000000 tx 01\n0.999999 rx 01\n":       "line 2: elapsed seconds are fewer",
		"# started yesterday\n":                  "line 1: want the start as RFC 3339",
		"\n#" + strings.Repeat("x", 4000) + "\n": "line 2: line is longer than",
		strings.Repeat("x", 4000):                "line 1: line is longer than",
	} {
		_, err := Parse(strings.NewReader(text))
		if err == nil || !strings.Contains(err.Error(), "parse recording: "+want) {
			t.Errorf("%.40q: %v, want %q", text, err, want)
		}
	}
}

// A recording may stop anywhere: what is whole is kept, the rest is said to be
// cut.
func TestParseCut(t *testing.T) {
	whole, err := Parse(strings.NewReader(sample))
	if err != nil {
		t.Fatal(err)
	}
	for n := range sample {
		got, err := Parse(strings.NewReader(sample[:n]))
		if err != nil {
			t.Fatalf("cut after %d bytes: %v", n, err)
		}
		if cut := n > 0 && sample[n-1] != '\n'; got.Cut != cut {
			t.Errorf("cut after %d bytes: Cut is %v", n, got.Cut)
		}
		if len(got.Events) > 0 && !reflect.DeepEqual(got.Events, whole.Events[:len(got.Events)]) {
			t.Errorf("cut after %d bytes: %+v", n, got.Events)
		}
	}
}

func TestHeaderStaysOnItsLine(t *testing.T) {
	name := "a\nb\x00 " + strings.Repeat("ä", 600)
	text := string(appendHeader(nil, name, time.Unix(0, 0)))
	r, err := Parse(strings.NewReader(text))
	if err != nil || !strings.HasPrefix(r.Name, "a b") || r.Cut || len(r.Events) != 0 {
		t.Errorf("%q gave %+v, %v", text, r, err)
	}
}

// FuzzParse: whatever is accepted is written and read back the same.
func FuzzParse(f *testing.F) {
	f.Add(sample)
	f.Add("0.000000 tx 01")
	f.Add("# line \xff\n# started 0000-01-01T00:00:00+23:59\n")
	f.Add("1.000000 rx " + strings.Repeat("ff", 512) + "\n")
	f.Fuzz(func(t *testing.T, text string) {
		first, err := Parse(strings.NewReader(text))
		if err != nil {
			return
		}
		var b strings.Builder
		if _, err := first.WriteTo(&b); err != nil {
			t.Fatal(err)
		}
		again, err := Parse(strings.NewReader(b.String()))
		if err != nil {
			t.Fatalf("%q was written as %q: %v", text, b.String(), err)
		}
		first.Cut = false
		for i := range first.Events {
			first.Events[i].Line = i + 3 // behind the header
		}
		if !reflect.DeepEqual(first, again) {
			t.Fatalf("%+v became %+v", first, again)
		}
	})
}
