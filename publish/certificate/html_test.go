package certificate

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"thimbled/peak"
)

func TestHTMLGolden(t *testing.T) {
	for _, test := range []string{"j-101", "j-104", "j-105", "j-106"} {
		golden(t, test+".html", htmlOf(t, paper(t, test)))
	}
}

func TestHTMLIsTheSameEachTime(t *testing.T) {
	t.Parallel()
	e := evidence(t, "j-105")
	all := traces(t, e)
	want := htmlOf(t, New(e, all, options()))
	for range 100 {
		if got := htmlOf(t, New(e, all, options())); got != want {
			t.Fatal("the same record gives another page")
		}
	}
	again := evidence(t, "j-105")
	if got := htmlOf(t, New(again, traces(t, again), options())); got != want {
		t.Fatal("the same journal gives another page")
	}
}

// The page allows its own style by its digest and nothing else, and asks for
// nothing from anywhere.
func TestHTMLNeedsNothingElse(t *testing.T) {
	page := htmlOf(t, paper(t, "j-105"))
	_, rest, _ := strings.Cut(page, "<style>")
	style, _, _ := strings.Cut(rest, "</style>")
	sum := sha256.Sum256([]byte(style))
	policy := html.UnescapeString(regexp.MustCompile(`http-equiv="Content-Security-Policy" content="([^"]*)"`).FindStringSubmatch(page)[1])
	if want := "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"; policy != want {
		t.Errorf("the policy is\n%s, want\n%s", policy, want)
	}
	for _, needs := range []string{"<script", "<link", "<img", "<iframe", "<form", " src=", " href=", " style=", "url(", "@import", "http:", "https:", " on"} {
		if i := strings.Index(strings.ReplaceAll(page, "http-equiv", ""), needs); i >= 0 && needs != " on" {
			t.Errorf("the page has %q", needs)
		}
	}
	if regexp.MustCompile(`<[^>]*\son[a-z]+=`).MatchString(page) {
		t.Error("the page has a handler of events")
	}
}

var tags = regexp.MustCompile(`<[^>]*>`)

// seen is the text that a page of HTML shows, with all white space as single
// blanks.
func seen(page string) string {
	_, body, _ := strings.Cut(page, "<body")
	return strings.Join(strings.Fields(html.UnescapeString(tags.ReplaceAllString("<body"+body, " "))), " ")
}

// figuresOf returns every figure of the record that ended a test as people see
// it: worked out from the record's JSON in floating point, apart from the code
// that prints the paper.
func figuresOf(t testing.TB, e *Evidence) []string {
	t.Helper()
	var d any
	decoder := json.NewDecoder(bytes.NewReader(records(t)[e.Record.Number-1].Data))
	if err := decoder.Decode(&d); err != nil {
		t.Fatal(err)
	}
	out := []string{e.Record.SHA256, fmt.Sprintf("dock-3-%d", e.Record.Number)}
	var walk func(key string, value any)
	walk = func(key string, value any) {
		switch v := value.(type) {
		case map[string]any:
			for k, inner := range v {
				walk(k, inner)
			}
		case []any:
			for _, inner := range v {
				walk(key, inner)
			}
		case float64:
			out = append(out, numberText(key, v))
		case string:
			out = append(out, wordText(t, key, v)...)
		}
	}
	walk("", d)
	return out
}

func numberText(key string, v float64) string {
	const poundForce = 4.4482216152605 // newtons
	switch {
	case strings.HasPrefix(key, "zero") || key == "tare_newtons":
		return fmt.Sprintf("%.1f N (%.1f lbf)", v, v/poundForce)
	case key == "wll_newtons":
		return fmt.Sprintf("%.2f kN (%.0f lbf; %.3f t)", v/1000, v/poundForce, v/9806.65)
	case strings.HasSuffix(key, "_newtons"):
		return fmt.Sprintf("%.2f kN (%.0f lbf)", v/1000, v/poundForce)
	case strings.HasSuffix(key, "_pascals"):
		return fmt.Sprintf("%.1f bar (%.0f psi)", v/1e5, v/6894.757)
	case key == "required_hold_seconds":
		return fmt.Sprintf("%g s", v)
	case key == "longest_gap_seconds" && v == 0:
		return "none"
	case strings.HasSuffix(key, "_seconds"):
		return fmt.Sprintf("%.3f s", v)
	case key == "length_metres":
		return fmt.Sprintf("%g m (%.2f ft)", v, v/0.3048)
	case key == "guard_percent":
		return fmt.Sprintf("%g %%", v)
	}
	return fmt.Sprint(math.Round(v)) // counts and numbers of pulls
}

func wordText(t testing.TB, key, v string) []string {
	t.Helper()
	switch {
	case key == "verdict":
		return []string{map[string]string{"pass": "passed", "review": "review", "failed": "failed", "incomplete": "incomplete", "exceeded": "exceeded"}[v]}
	case strings.HasSuffix(key, "_at"):
		at, err := time.Parse(time.RFC3339Nano, v)
		if err != nil {
			t.Fatal(err)
		}
		return []string{at.Format("15:04:05.000")}
	case key == "by":
		return nil // who finished the test is not on the paper
	}
	return strings.Fields(v) // words may stand on two lines
}

func TestHTMLHasEveryFigure(t *testing.T) {
	t.Parallel()
	for _, test := range []string{"j-101", "j-102", "j-103", "j-104", "j-105", "j-106", "j-107"} {
		c := paper(t, test)
		text := seen(htmlOf(t, c))
		for _, figure := range figuresOf(t, c.e) {
			if !strings.Contains(text, figure) {
				t.Errorf("%s: the page does not show %q", test, figure)
			}
		}
	}
}

// What people write is shown and does nothing.
func TestHTMLEscapesWhatPeopleWrite(t *testing.T) {
	const hostile = `</style></title><script>alert("1")</script><img src=x onerror=alert(2)> & 'é' "` + "\x07\u202e\n" + `<b>`
	c := hostileCertificate(t, hostile)
	page := htmlOf(t, c)
	for _, tag := range regexp.MustCompile(`<[/a-zA-Z!][a-zA-Z0-9]*`).FindAllString(page, -1) {
		if !strings.Contains(" <!DOCTYPE <html <head <meta <title </title <style </style </head <body </body </html <header </header <div </div <strong </strong <span "+
			"</span <main </main <h1 </h1 <section </section <h2 </h2 <p </p <ul </ul <li </li <dl </dl <dt </dt <dd </dd <code </code <table </table <thead </thead "+
			"<tbody </tbody <tr </tr <th </th <td </td <b </b <figure </figure <svg </svg <rect <polyline <circle <text </text ", " "+tag+" ") {
			t.Errorf("the page has a tag %q", tag)
		}
	}
	if n := strings.Count(page, "<b>"); n != 2 {
		t.Errorf("the page has %d <b>, of which only those of the signers are ours", n)
	}
	if strings.ContainsAny(page, "\x07\u202e") {
		t.Error("a control character came through")
	}
	if text := seen(page); strings.Count(text, `<script>alert("1")</script>`) < 12 {
		t.Errorf("what was written is shown %d times", strings.Count(text, `<script>alert("1")</script>`))
	}
}

// hostileCertificate has the same text wherever a person may write one.
func hostileCertificate(t testing.TB, text string) *Certificate {
	t.Helper()
	e := evidence(t, "j-105")
	j := &e.Test.Job
	j.ID, j.Item, j.Kind, j.Description, j.Owner, j.Operator, j.Rule, j.Source = text, text, text, text, text, text, text, text
	for i := range j.Planned {
		j.Planned[i].Label = text
	}
	e.Test.Attempts[0].Ended.Label, e.Test.Attempts[2].Why = text, text
	e.Test.Reasons = []peak.Reason{peak.Reason(text)}
	for i := range e.Inspections {
		e.Inspections[i].Inspector, e.Inspections[i].Examined, e.Inspections[i].Notes, e.Inspections[i].By = text, text, text, text
	}
	e.Runs[0].Version = text
	o := options()
	o.Loft = Loft{Name: text, Address: []string{text, text}, Contact: text}
	return New(e, traces(t, e), o)
}

func TestWriteErrorsAreTold(t *testing.T) {
	c := paper(t, "j-101")
	for _, write := range []func() error{func() error { return c.HTML(broken{}) }, func() error { return c.PDF(broken{}) }} {
		if err := write(); !errors.Is(err, errBroken) || !strings.Contains(err.Error(), "dock-3-7") {
			t.Errorf("error %v", err)
		}
	}
}

var errBroken = errors.New("broken")

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errBroken }

// The bench's figures are printed only if the test was made with that config.
func TestOnlyTheConfigOfTheTestIsTold(t *testing.T) {
	e := evidence(t, "j-101")
	for digest, says := range map[string]string{
		e.Runs[0].ConfigDigest:   "dock-3, up to 250.00 kN (56202 lbf) Load load cell and indicator, division 0.05 kN (11 lbf), read every 20 ms",
		strings.Repeat("0a", 32): "Instruments not stated: the bench's config has been changed since the test",
		"":                       "Instruments not stated: the bench's config was not at hand",
	} {
		o := options()
		o.Setup.Digest = digest
		if text := seen(htmlOf(t, New(e, traces(t, e), o))); !strings.Contains(text, says) {
			t.Errorf("digest %q: %q is not in %s", digest, says, text)
		}
	}
	o := options()
	o.Setup.Digest, o.Setup.PressureEvery = e.Runs[0].ConfigDigest, 0
	if text := seen(htmlOf(t, New(e, nil, o))); !strings.Contains(text, "the bench has no pressure transducer") || !strings.Contains(text, "the trace of this pull has no good reading") {
		t.Errorf("without a transducer and a trace: %s", text)
	}
	e.Traces = nil
	if text := seen(htmlOf(t, New(e, nil, o))); !strings.Contains(text, "the journal has no trace of this pull") {
		t.Errorf("without a trace: %s", text)
	}
}

// A test whose planned pulls were not all made says so.
func TestPullsNotMadeAreTold(t *testing.T) {
	e := evidence(t, "j-105")
	e.Test.Attempts = e.Test.Attempts[:1]
	e.Test.Verdict, e.Test.Job.Planned[1].Requirement.Asked = peak.Incomplete, 90*peak.Kilonewton
	text := seen(htmlOf(t, New(e, traces(t, e), options())))
	for _, says := range []string{
		"end B, turned end for end – 90.90 kN (20435 lbf) – – not made", "NOT PASSED – incomplete The required load was not held for the required time.",
		"end A at least 101.00 kN (22706 lbf)", "end B, turned end for end at least 90.90 kN (20435 lbf), which is 90.00 kN",
	} {
		if !strings.Contains(text, says) {
			t.Errorf("%q is not in %s", says, text)
		}
	}
}
