package main_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// browser is a Chromium that is driven over W3C WebDriver by its own
// chromedriver. Anything that goes wrong ends the test.
type browser struct {
	t       testing.TB
	session string // the address of the session
	screen  [2]int // its size in CSS pixels
}

// browserPatience is how long something may take to appear in the browser.
const browserPatience = 30 * time.Second

// openBrowser starts a browser without a profile and without a network of its own.
func openBrowser(t testing.TB) *browser {
	t.Helper()
	chromium, err := exec.LookPath("chromium")
	driver, err2 := exec.LookPath("chromedriver")
	if err != nil || err2 != nil {
		t.Skip("chromium or chromedriver is not installed: apt-get install -y chromium chromium-driver")
	}
	b := &browser{t: t, session: startDriver(t, driver)}
	var got struct {
		ID string `json:"sessionId"`
	}
	b.call("POST", "", map[string]any{"capabilities": map[string]any{"alwaysMatch": map[string]any{
		"browserName": "chrome",
		"goog:chromeOptions": map[string]any{"binary": chromium, "args": []string{
			"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
			"--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--user-data-dir=" + t.TempDir(),
		}},
		"goog:loggingPrefs": map[string]any{"browser": "ALL"},
	}}}, &got)
	b.session += "/" + got.ID
	t.Cleanup(func() { b.call("DELETE", "", nil, nil) })
	return b
}

// startDriver starts chromedriver on a free port and returns the address of its
// sessions. It draws a port of IPv6 and ends if that one is taken in IPv4: then it is
// started again.
func startDriver(t testing.TB, path string) string {
	t.Helper()
	var said string
	for range 10 {
		var port string
		if port, said = tryDriver(t, path); port != "" {
			return "http://127.0.0.1:" + port + "/session"
		}
	}
	t.Fatalf("chromedriver did not say its port but:\n%s", said)
	return ""
}

func tryDriver(t testing.TB, path string) (port, said string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	c := exec.CommandContext(ctx, path, "--port=0")
	c.Env = append(os.Environ(), "HOME="+t.TempDir())
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); c.Wait() })
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if _, port, ok := strings.Cut(lines.Text(), "started successfully on port "); ok {
			go io.Copy(io.Discard, out)
			return strings.TrimSuffix(strings.TrimSpace(port), "."), said
		}
		said += lines.Text() + "\n"
	}
	return "", said
}

// try makes one call of the protocol.
func (b *browser) try(method, path string, body, to any) error {
	var text io.Reader
	if method == "POST" {
		if body == nil {
			body = struct{}{}
		}
		encoded, err := json.Marshal(body)
		if err != nil {
			return err
		}
		text = bytes.NewReader(encoded)
	}
	r, err := http.NewRequest(method, b.session+path, text)
	if err != nil {
		return err
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	var got struct {
		Value json.RawMessage `json:"value"`
	}
	if err := json.NewDecoder(answer.Body).Decode(&got); err != nil {
		return err
	}
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("%s %s: %s", method, path, got.Value)
	}
	if to == nil {
		return nil
	}
	return json.Unmarshal(got.Value, to)
}

func (b *browser) call(method, path string, body, to any) {
	b.t.Helper()
	if err := b.try(method, path, body, to); err != nil {
		b.t.Fatal(err)
	}
}

func (b *browser) open(url string) {
	b.t.Helper()
	b.call("POST", "/url", map[string]any{"url": url}, nil)
}

// size makes the screen so large, in CSS pixels.
func (b *browser) size(width, height int) {
	b.t.Helper()
	b.screen = [2]int{width, height}
	b.devtools("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false})
}

// devtools calls what only Chromium's own protocol has.
func (b *browser) devtools(command string, params map[string]any) {
	b.t.Helper()
	b.call("POST", "/goog/cdp/execute", map[string]any{"cmd": command, "params": params}, nil)
}

// run runs a function body in the page and decodes what it returns.
func (b *browser) run(script string, to any, args ...any) {
	b.t.Helper()
	if err := b.tryRun(script, to, args...); err != nil {
		b.t.Fatal(err)
	}
}

func (b *browser) tryRun(script string, to any, args ...any) error {
	return b.try("POST", "/execute/sync", map[string]any{"script": script, "args": append([]any{}, args...)}, to)
}

// await runs a function body that is given a callback as its last argument, and
// decodes what it is called with.
func (b *browser) await(script string, to any, args ...any) {
	b.t.Helper()
	b.call("POST", "/execute/async", map[string]any{"script": script, "args": append([]any{}, args...)}, to)
}

// elementKey is what the protocol names an element by.
const elementKey = "element-6066-11e4-a52e-4f735466cecf"

// element is the id of the first element that a CSS selector finds.
func (b *browser) element(selector string) string {
	b.t.Helper()
	var got map[string]string
	b.call("POST", "/element", map[string]any{"using": "css selector", "value": selector}, &got)
	return got[elementKey]
}

// click clicks on an element. Lists are drawn anew and panels move while they are looked
// at, so a click that finds its element gone, or misses it, is made again.
func (b *browser) click(selector string) {
	b.t.Helper()
	b.until("a click on "+selector, func() bool {
		hit, err := b.tryClick(map[string]string{elementKey: b.element(selector)})
		if err != nil && !passes(err) {
			b.t.Fatalf("click on %s: %v", selector, err)
		}
		return hit
	})
}

// tryClick says whether an element was hit. A choice in a list is heard by its list; who
// was led to another page has hit.
func (b *browser) tryClick(element map[string]string) (hit bool, err error) {
	err = b.tryRun(`window.clickHit = false;
		(arguments[0].closest("select") ?? arguments[0]).addEventListener("click", () => { window.clickHit = true; }, { capture: true, once: true });`, nil, element)
	if err == nil {
		err = b.try("POST", "/element/"+element[elementKey]+"/click", nil, nil)
	}
	if err == nil {
		err = b.tryRun(`return window.clickHit !== false`, &hit)
	}
	return hit, err
}

// passes says whether an error of the protocol is one of a moment.
func passes(err error) bool {
	for _, code := range []string{"stale element reference", "element not interactable", "element click intercepted"} {
		if strings.Contains(err.Error(), `"error":"`+code+`"`) {
			return true
		}
	}
	return false
}

// write types a text into a field, in place of what is there.
func (b *browser) write(selector, text string) {
	b.t.Helper()
	id := b.element(selector)
	b.call("POST", "/element/"+id+"/clear", nil, nil)
	b.call("POST", "/element/"+id+"/value", map[string]any{"text": text}, nil)
}

// press presses and lets go of one key, by its code point in the protocol.
func (b *browser) press(key string) {
	b.t.Helper()
	b.call("POST", "/actions", map[string]any{"actions": []any{map[string]any{"type": "key", "id": "keys", "actions": []any{
		map[string]string{"type": "keyDown", "value": key}, map[string]string{"type": "keyUp", "value": key},
	}}}}, nil)
}

const (
	tabKey   = "\ue004"
	enterKey = "\ue007"
)

// text is what a person sees of an element; empty when it is not shown.
func (b *browser) text(selector string) string {
	b.t.Helper()
	var text string
	b.run(`const e = document.querySelector(arguments[0]); return e === null ? "" : e.checkVisibility() ? e.innerText : "";`, &text, selector)
	return strings.Join(strings.Fields(text), " ")
}

// until waits for something to be seen.
func (b *browser) until(what string, is func() bool) {
	b.t.Helper()
	for deadline := time.Now().Add(browserPatience); !is(); time.Sleep(30 * time.Millisecond) {
		if time.Now().After(deadline) {
			b.t.Fatalf("waited %v in vain for %s; the page says:\n%s", browserPatience, what, b.text("main"))
		}
	}
}

// untilText waits until an element says something.
func (b *browser) untilText(selector, part string) {
	b.t.Helper()
	b.until(fmt.Sprintf("%s to say %q", selector, part), func() bool { return strings.Contains(b.text(selector), part) })
}

// picture writes the screen as PNG.
func (b *browser) picture(path string) {
	b.t.Helper()
	var encoded string
	b.call("GET", "/screenshot", nil, &encoded)
	png, err := base64.StdEncoding.DecodeString(encoded)
	if err == nil {
		err = os.WriteFile(path, png, 0o644)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// complaints are the errors on the browser's console, but for answers of the daemon that
// refuse a command.
func (b *browser) complaints() []string {
	b.t.Helper()
	var log []struct{ Level, Message string }
	b.call("POST", "/se/log", map[string]any{"type": "browser"}, &log)
	var out []string
	for _, l := range log {
		if l.Level == "SEVERE" && !strings.Contains(l.Message, "/ask/") {
			out = append(out, l.Message)
		}
	}
	return out
}
