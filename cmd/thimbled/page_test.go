package main_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"thimbled/peak"
)

var pictures = flag.String("pictures", "", "a `folder` for pictures of the page at 390, 820 and 1920 pixels")

// shoot takes the pictures that a person should look at.
func (b *browser) shoot(name string) {
	b.t.Helper()
	if *pictures == "" {
		return
	}
	was := b.screen
	defer func() { b.size(was[0], was[1]) }()
	for _, s := range [][2]int{{390, 844}, {820, 1180}, {1920, 1080}} {
		b.size(s[0], s[1])
		time.Sleep(300 * time.Millisecond) // the curve is drawn anew
		b.picture(filepath.Join(*pictures, fmt.Sprintf("%s-%d.png", name, s[0])))
	}
}

// pagedBench is a simulated bench and a daemon on it, each in its own process.
type pagedBench struct {
	bench, daemon   *program
	config, journal string
	web             string // host:port of the page
}

// daily is a bench on which a sound pull is made every 13 seconds.
const daily = `pull sound
rest 60s; raise "102.5 kN" over 20s; hold 34s; release 20s
loop
`

// startPaged starts them; more is what its config has besides.
func startPaged(t *testing.T, script, more string) *pagedBench {
	t.Helper()
	dir := t.TempDir()
	pulls := filepath.Join(dir, "pulls.txt")
	if err := os.WriteFile(pulls, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	p := &pagedBench{config: filepath.Join(dir, "bench.toml"), journal: filepath.Join(dir, "journal"), web: reserve(t)}
	p.bench = start(t, "simulate", "--dir", dir, "--fast", "10", "--pulls", pulls)
	place := regexp.MustCompile(`Modbus TCP +(127\.0\.0\.1:\d+)`)
	until(t, "the simulated bench", func() bool { return place.MatchString(p.bench.out.String()) })
	text := fmt.Sprintf(simulatedConfig, place.FindStringSubmatch(p.bench.out.String())[1], p.journal, reserve(t), p.web) + more
	if err := os.WriteFile(p.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	p.daemon = start(t, "run", "--config", p.config)
	until(t, "the daemon to be healthy", func() bool { return healthy(p.web) })
	return p
}

func (p *pagedBench) url() string { return "http://" + p.web + "/" }

// recordsOf returns the records of a type.
func (p *pagedBench) recordsOf(t *testing.T, kind string) []record {
	t.Helper()
	var out []record
	for _, r := range journalOf(t, p.journal) {
		if r.Type == kind {
			out = append(out, r)
		}
	}
	return out
}

// wild is an item's tag that would be script, markup and a spreadsheet's formula
// wherever it were not just text.
const wild = `=HL-0042 <script>document.title="hit"</script><img src=x onerror='document.title="hit"'> & "ä"`

// TestPageOperator plays an operator who has nothing but the page: looks whether the bench
// is ready, sets zero, opens a job by a rule, watches pull, hold and verdict, inspects
// the item, fetches the certificate and finds the test again. Every figure is compared with the journal.
func TestPageOperator(t *testing.T) {
	b := openBrowser(t)
	p := startPaged(t, daily, "")
	b.size(820, 1180)
	b.open(p.url())
	b.untilText("#ready-said", "eady")
	b.untilText("#checks", "Load indicator: in order")
	b.write("#who", "A. Berg")
	b.click("#bench-work summary")
	b.insist(`form[data-ask="zero"]`, "Zero is")
	b.untilText("#checks", "Zero: in order")
	b.openJobByRule(wild)
	b.untilText("#phase", "Pulling")
	b.shoot("pulling")
	b.untilText("#phase", "Holding")
	if force := b.figure(t, "#force"); force < 98 || force > 104 {
		t.Errorf("the page shows %v kN in a hold at 102.5 kN", force)
	}
	if got := b.text("#required"); got != "98.07" { // 2 x 5 t at standard gravity: 98.0665 kN
		t.Errorf("the required force is shown as %q", got)
	}
	b.shoot("holding")
	b.untilText("#phase", "Ended")
	b.shoot("ended")
	pull := p.checkPull(t, b)
	p.finish(t, b, pull)
	p.inspectOnPage(t, b)
	p.fetchCertificate(t, b)
	b.click("#find-work > summary")
	b.write("#find-form [name=item]", "=HL-*")
	b.click("#find-form button")
	b.untilText("#found", wild)
	b.checkHarmless(t)
}

// figure is a number that is shown.
func (b *browser) figure(t *testing.T, selector string) float64 {
	t.Helper()
	var value float64
	if _, err := fmt.Sscanf(b.text(selector), "%g", &value); err != nil {
		t.Errorf("%s shows no number: %q", selector, b.text(selector))
	}
	return value
}

// insist sends a form until the daemon carries it out; it refuses while the
// bench is not in the state for it.
func (b *browser) insist(form, done string) {
	b.t.Helper()
	b.until(fmt.Sprintf("%s to be answered with %q", form, done), func() bool {
		b.click(form + " button:not([type=button])")
		var said string
		b.until("an answer", func() bool { said = b.text(form + " .answer"); return said != "" })
		return strings.Contains(said, done)
	})
}

func (b *browser) openJobByRule(item string) {
	b.t.Helper()
	b.click("#open-job > summary")
	b.write("#job-form [name=item]", item)
	b.write("#job-form [name=kind]", "wire rope sling")
	b.write("#job-form [name=wll]", "5 t")
	b.write("#job-form [name=length]", "6 m")
	b.write("#job-form [name=ambient]", "12 °C, dry")
	b.until("the rules", func() bool { return b.has("#rule option[value=ilo_loose]") })
	b.click("#rule option[value=ilo_loose]")
	b.untilText("#rule-said", "At least 98.07 kN, no limit set, no hold set: enter one.")
	b.write("#job-form [name=limit]", "112")
	b.write("#job-form [name=hold]", "3")
	b.click("#plan")
	b.untilText("#plan-said", "1. whole length")
	b.shoot("form")
	b.insist("#job-form", "is open")
	b.untilText("#job .item", item)
	b.untilText("#job", "12 °C, dry")
}

// has says whether the page has such an element.
func (b *browser) has(selector string) (has bool) {
	b.t.Helper()
	b.run(`return document.querySelector(arguments[0]) !== null`, &has, selector)
	return has
}

// exactPull is a pull's figures as the journal writes them.
type exactPull struct {
	Pull    int64
	Peak    json.Number `json:"peak_newtons"`
	Hold    float64     `json:"hold_seconds"`
	Verdict string
	Job     string
}

// checkPull compares the last pull of the job on the page with the journal.
func (p *pagedBench) checkPull(t *testing.T, b *browser) exactPull {
	t.Helper()
	var e exactPull
	until(t, "a pull of the job", func() bool {
		for _, r := range p.recordsOf(t, "thimbled.pull.ended") {
			var one exactPull
			if err := json.Unmarshal(r.Data, &one); err != nil {
				t.Fatal(err)
			}
			if one.Job != "" {
				e = one
			}
		}
		return e.Job != ""
	})
	force, err := peak.ParseForce(e.Peak.String() + " N")
	if err != nil {
		t.Fatal(err)
	}
	line := fmt.Sprintf(`#pulls details[data-pull="%d"] summary`, e.Pull)
	b.untilText(line, wild)
	tenths := float64(int(e.Hold*10)) / 10
	for _, want := range []string{
		strings.ToUpper(e.Verdict[:1]) + e.Verdict[1:], "peak " + peak.UnitKN.Show(force, 2), fmt.Sprintf("hold %.1f s", tenths),
	} {
		if !strings.Contains(b.text(line), want) {
			t.Errorf("the page shows the pull as %q, the journal says %q", b.text(line), want)
		}
	}
	if got := b.text("#peak"); got != peak.UnitKN.Number(force, 2) {
		t.Errorf("the page shows a peak of %q, the journal says %v", got, force)
	}
	b.click(line)
	b.until("the pull's curve", func() bool { return b.inked(fmt.Sprintf(`#pulls details[data-pull="%d"] canvas`, e.Pull)) })
	return e
}

// inked says whether anything is drawn on a canvas.
func (b *browser) inked(canvas string) (is bool) {
	b.t.Helper()
	b.run(`const c = document.querySelector(arguments[0]);
		return c !== null && c.width > 0 && c.getContext("2d").getImageData(0, 0, c.width, c.height).data.some((v) => v > 0);`, &is, canvas)
	return is
}

// finish ends the test if its pull left that to a person: on a busy machine a
// pull may have gaps.
func (p *pagedBench) finish(t *testing.T, b *browser, pull exactPull) {
	t.Helper()
	if pull.Verdict != "pass" {
		b.insist(`form[data-ask="job.finish"]`, "has ended")
	}
	b.untilText("#tests", strings.ToUpper(pull.Verdict[:1])+pull.Verdict[1:]+" "+wild)
	b.untilText("#tests", "not inspected yet")
	b.untilText("#job", "Test ended: "+pull.Verdict)
}

func (p *pagedBench) inspectOnPage(t *testing.T, b *browser) {
	t.Helper()
	b.click("#tests button")
	b.write("#inspect-form [name=inspector]", "B. Ek")
	b.write("#inspect-form [name=examined]", "wires, ferrules, thimbles")
	b.click("#inspect-form [value=accepted]")
	b.insist("#inspect-form", "accepted by B. Ek")
	b.untilText("#tests", "accepted by B. Ek")
	found := p.recordsOf(t, "thimbled.item.inspected")
	if len(found) != 1 || !strings.Contains(string(found[0].Data), `"inspector":"B. Ek","finding":"accepted","examined":"wires, ferrules, thimbles"`) ||
		!strings.Contains(string(found[0].Data), `"by":"A. Berg"`) {
		t.Errorf("the journal has of the inspection: %v", found)
	}
}

// fetchCertificate follows the page's links as the browser does.
func (p *pagedBench) fetchCertificate(t *testing.T, b *browser) {
	t.Helper()
	var got struct {
		Status     int
		Type, Head string
	}
	b.await(`const done = arguments[arguments.length - 1];
		fetch(document.querySelector("#tests a").href).then(async (r) => {
			const body = new Uint8Array(await r.arrayBuffer());
			done({ status: r.status, type: r.headers.get("Content-Type"), head: String.fromCharCode(...body.slice(0, 5)) });
		});`, &got)
	if got.Status != http.StatusOK || got.Type != "application/pdf" || got.Head != "%PDF-" {
		t.Errorf("the certificate comes as %+v", got)
	}
	var html string
	b.run(`return document.querySelectorAll("#tests a")[1].href`, &html)
	b.call("POST", "/window/new", map[string]string{"type": "tab"}, nil)
	var tabs []string
	b.call("GET", "/window/handles", nil, &tabs)
	b.call("POST", "/window", map[string]string{"handle": tabs[1]}, nil)
	b.open(html)
	b.untilText("body", wild)
	b.call("DELETE", "/window", nil, nil)
	b.call("POST", "/window", map[string]string{"handle": tabs[0]}, nil)
}

// checkHarmless checks that no text became markup.
func (b *browser) checkHarmless(t *testing.T) {
	t.Helper()
	var title string
	b.run(`return document.title`, &title)
	if title != "dock-3 · Thimbled" || b.has("img") || b.has("body script") {
		t.Errorf("a text was taken for markup; the title is %q", title)
	}
	for _, complaint := range b.complaints() {
		t.Errorf("the browser complains: %s", complaint)
	}
}

// noFigures checks that nothing live is on the screen: in what is watched there
// must be no digit left.
func (b *browser) noFigures(t *testing.T) {
	t.Helper()
	for _, part := range []string{".watch", ".beside", "header .brief"} {
		if text := b.text(part); strings.ContainsAny(text, "0123456789") {
			t.Errorf("%s still shows figures: %q", part, text)
		}
	}
	var shown bool
	b.run(`return getComputedStyle(document.querySelector("#curve")).visibility === "visible"`, &shown)
	if shown {
		t.Error("the curve is still shown")
	}
}

var decimal = regexp.MustCompile(`^-?\d+\.\d\d$`)

func (b *browser) untilForce() {
	b.t.Helper()
	b.until("the force", func() bool { return decimal.MatchString(b.text("#force")) })
}

// TestPageOutlivesDaemon kills daemon and bench and starts them again under an open page.
func TestPageOutlivesDaemon(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	p := startPaged(t, daily, "")
	b.size(390, 844)
	b.open(p.url())
	b.untilForce()
	b.untilText("#pulls", "Unassigned pull 1")
	b.click("#open-job > summary")
	b.write("#job-form [name=item]", "HL-0043")
	p.daemon.command.Process.Kill()
	p.daemon.command.Wait()
	b.untilText("#force", "connection to the daemon lost")
	b.untilText("#brief-state", "Connection to the daemon lost")
	b.noFigures(t)
	b.shoot("lost")
	p.daemon = start(t, "run", "--config", p.config)
	b.untilForce()
	b.untilText("#pulls", "pull 1")
	b.untilText("#checks", "Load indicator: in order")
	var item string
	b.run(`return document.querySelector("#job-form [name=item]").value`, &item)
	if item != "HL-0043" {
		t.Errorf("what was typed before is %q now", item)
	}
	p.bench.command.Process.Kill()
	b.untilText("#force", "no fresh reading: ")
	b.untilText("#phase", "Not ready")
	if text := b.text("#digits"); strings.ContainsAny(text, "0123456789") {
		t.Errorf("without an instrument the page shows %q", text)
	}
}

// TestPageOnBadNetwork puts a network between page and daemon that swallows everything
// without an error, and one that delays it: old numbers must not look fresh.
func TestPageOnBadNetwork(t *testing.T) {
	b := openBrowser(t)
	p := startPaged(t, daily, "")
	n := badNetwork(t, p.web)
	b.open(n.url)
	b.untilForce()
	n.held.Store(true)
	b.untilText("#force", "connection to the daemon lost")
	b.noFigures(t)
	n.held.Store(false)
	b.untilForce()
	n.lag.Store(int64(1800 * time.Millisecond))
	b.untilText("#force", "no fresh reading")
	b.untilText("#link", "connected")
	n.lag.Store(0)
	b.untilForce()
}

// network is a way to the daemon that holds or delays what goes to the browser.
type network struct {
	url  string
	held atomic.Bool
	lag  atomic.Int64 // nanoseconds
}

func badNetwork(t *testing.T, daemon string) *network {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	n := &network{url: "http://" + l.Addr().String() + "/"}
	proxy := &httputil.ReverseProxy{FlushInterval: -1, Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(&url.URL{Scheme: "http", Host: daemon})
		if r.Out.Header.Get("Origin") != "" { // as the host is, or the daemon takes it for a foreign page
			r.Out.Header.Set("Origin", "http://"+daemon)
		}
	}}
	server := &http.Server{Handler: proxy}
	t.Cleanup(func() { server.Close() })
	go server.Serve(slowListener{l, n})
	return n
}

type slowListener struct {
	net.Listener
	network *network
}

func (l slowListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	s := &slowConn{Conn: c, network: l.network, parcels: make(chan parcel, 10_000), closed: make(chan struct{})}
	go s.carry()
	return s, nil
}

// slowConn delivers what is written to it later, in order.
type slowConn struct {
	net.Conn
	network *network
	parcels chan parcel
	closed  chan struct{}
	ended   atomic.Bool
}

type parcel struct {
	body []byte
	due  time.Time
}

func (c *slowConn) Write(body []byte) (int, error) {
	select {
	case c.parcels <- parcel{append([]byte{}, body...), time.Now().Add(time.Duration(c.network.lag.Load()))}:
		return len(body), nil
	case <-c.closed:
		return 0, net.ErrClosed
	}
}

func (c *slowConn) Close() error {
	if c.ended.CompareAndSwap(false, true) {
		close(c.closed)
	}
	return c.Conn.Close()
}

func (c *slowConn) carry() {
	for {
		select {
		case p := <-c.parcels:
			for time.Now().Before(p.due) || c.network.held.Load() {
				time.Sleep(5 * time.Millisecond)
			}
			if _, err := c.Conn.Write(p.body); err != nil {
				return
			}
		case <-c.closed:
			return
		}
	}
}
